"""Eighteen months of the practice site as records: what an invented line did, fault by fault, from a seed."""
