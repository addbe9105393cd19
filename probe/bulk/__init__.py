"""Bulk traffic in a process of its own, at both ends of a line: flows, the worker, and who starts it."""
