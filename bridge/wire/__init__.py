"""Bytes to frames and back. Pure: no port, no socket, no clock."""
