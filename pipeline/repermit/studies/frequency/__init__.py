"""How often: rates, their months and comparisons, who is truly worse, what to expect."""
