"""Several results of one engine: comparison, pooling, precision and tables."""
