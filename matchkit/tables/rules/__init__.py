"""What must hold across rows and tables, as functions that yield problems."""
