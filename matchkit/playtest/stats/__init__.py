"""What blind trials and marks show: tests of difference, preference, agreement, and what goes with what."""
