"""The model file: what is in it, what it belongs to, and which one a house takes."""
