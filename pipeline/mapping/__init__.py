"""From a service's own files to a delivery: read theirs, convert cell by cell, write ours.

What a file means is said by a mapping file (`schemas/mapping.py`, docs/mapping.md): nothing is
guessed.
"""
