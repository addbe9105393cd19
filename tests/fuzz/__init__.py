"""Every parser of the house, fed by a fuzzer that watches which code an input reaches."""
