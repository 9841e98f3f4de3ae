"""The ways out: one client for each destination kind, each giving an Acknowledgement."""
