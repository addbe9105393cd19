"""Commands that take more than a few lines; `linebook` wires them. They may import probe, store,
dashboard.
"""
