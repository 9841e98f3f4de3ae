"""Every human action: decided from the state it meets, done in one transaction, in a name."""
