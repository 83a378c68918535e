"""Records and out-of-use notices as pages."""
