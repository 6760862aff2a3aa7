"""What the tables of a house imply and should not."""
