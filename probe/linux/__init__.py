"""One kernel facility a module."""
