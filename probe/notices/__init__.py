"""Notices of cases: which are due, what they say, and how they go out."""
