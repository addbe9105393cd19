"""Every command with its options and its help, a module for each group.

Loads nothing that a command needs.
"""
