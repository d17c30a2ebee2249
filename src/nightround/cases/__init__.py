"""Cases: open matters that need a person now, and who is told of them."""
