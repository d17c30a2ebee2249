"""Reads what a scanner gives for the label of a part: GS1 and HIBC. ICCBBA is recognised and declined."""
