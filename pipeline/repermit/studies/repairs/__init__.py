"""Do fixes hold: what comes back, shops on the same mix, good sensors replaced."""
