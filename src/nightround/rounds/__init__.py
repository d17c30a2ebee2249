"""The nightly round: loads facts, reckons, writes what moved, opens and closes cases."""
