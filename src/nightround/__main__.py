"""`python -m nightround` is the `nightround` program."""

from .cli import main

main()
