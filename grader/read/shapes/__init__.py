"""A sheet -> the tables of tests in it, one module a shape."""
