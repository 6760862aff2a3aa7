"""Refacing: the target curve, what comes off where, and in which steps."""
