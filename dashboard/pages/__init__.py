"""One page a module: findings gathered and judged, then a typed context and a JSON object of them."""
