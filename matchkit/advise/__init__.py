"""Questions to answers: ranked set-ups with reasons, reeds side by side, swaps, the closing of one pair, what to try next."""
