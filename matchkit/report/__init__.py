"""Figures of the answers, for paper and screen."""
