"""What state follows what, when to try again, and what a receiver's answer means."""
