"""One measurement a module, all of one shape: ``(what, where, clock) -> record or Failed``."""
