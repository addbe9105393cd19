"""Whatever a person reads: judgement, pages, papers.

Imports store, never probe.
"""
