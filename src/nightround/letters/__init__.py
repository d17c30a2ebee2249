"""Letters: what a message says, the letter box that keeps it, and the way it is sent."""
