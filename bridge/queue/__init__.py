"""Lanes and wake-ups over the store: what goes next to which destination."""
