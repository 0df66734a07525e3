"""Scans and references become the composition of a solution."""
