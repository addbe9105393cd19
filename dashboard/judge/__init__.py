"""Judgement: records and what the site file says in, verdicts with their reasons out.

Pure functions: no clock (the time is handed in), no database, no HTML. A judge never knows where
its records came from, so the same one serves a page, a paper, a command and a test.
"""
