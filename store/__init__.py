"""Ground floor: what is known about a line, and how it is kept.

Imports nothing from probe or dashboard; both import from here.
"""
