"""nightround: what a fleet of defibrillators owes, reckoned every night and told in time."""

__version__ = "0.1.0"
