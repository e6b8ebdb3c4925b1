"""From a service's own files to a delivery: read theirs, convert cell by cell, write ours.

What a file means is said by a mapping file (`schemas/mapping.py`, GUIDE.md); nothing is guessed.
"""
