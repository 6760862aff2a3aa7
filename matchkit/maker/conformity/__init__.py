"""Pieces against their drawing: guard-banded verdicts, capability, control charts, whole batches."""
