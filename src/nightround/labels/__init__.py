"""Printable cabinet labels: what one says, where each line stands, and its bytes as SVG or PDF."""
