"""Whatever touches a line: methods, the far end, the schedule that runs them.

Imports store, never dashboard.
"""
