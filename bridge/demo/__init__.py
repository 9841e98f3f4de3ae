"""One clinic morning: simulated analyzers, a listening record system, and the known truth."""
