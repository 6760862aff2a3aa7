"""The lay of a facing: its curve from feelers or a scan, the fair curve, the fits and their uncertainty."""
