"""Certificates and keys in files: what TLS contexts and signatures are made of, read again when they change."""
