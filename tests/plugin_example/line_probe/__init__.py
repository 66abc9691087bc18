"""A driver in a package of its own."""
