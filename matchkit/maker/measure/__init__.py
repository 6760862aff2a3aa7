"""One facing as it was measured: the uncertainty of every length by seeded draws, and the report of it."""
