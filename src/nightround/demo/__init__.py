"""An invented fleet of any size, for trying the program out and for measuring it. Nothing in it is real."""
