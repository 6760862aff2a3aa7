"""Blind plans: the orders in which set-ups are played, and what a plan of that size can show."""
