"""The far end: admission, session-reflector, rate sinks and sources, the service that holds them."""
