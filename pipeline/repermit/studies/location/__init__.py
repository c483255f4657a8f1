"""Where the fault was: the chain rules, missing findings shared out, found against indicated, the order of checks."""
