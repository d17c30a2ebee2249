"""Reckoning: facts in, duties out. Pure: no clock, no database, no network, no settings."""
