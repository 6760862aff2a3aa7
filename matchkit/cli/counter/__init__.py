"""Commands of the counter: set-ups for a player, reeds side by side, one part for another."""
