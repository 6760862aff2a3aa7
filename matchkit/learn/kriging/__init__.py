"""Kriging of marks: arrays in, arrays out. Variances, covariances, their likelihood, odd marks, and the nearest."""
