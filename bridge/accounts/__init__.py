"""Who may sign in, what each role may do, and for how long: rules without I/O. Hashes are made and compared at the edge (credentials.passwords)."""
