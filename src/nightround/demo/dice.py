"""Chance that can be had again: the same words give the same throws, on every machine and Python we run on."""

from __future__ import annotations

import random


def dice(*words: object) -> random.Random:
    """A generator of its own for what the words name. Never for secrets."""
    return random.Random("/".join(map(str, words)))  # noqa: S311
