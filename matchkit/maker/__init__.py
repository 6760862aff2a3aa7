"""What a maker asks: facings with their uncertainty, verdicts on a batch, gauges, pairing with the house reeds, refacing."""
