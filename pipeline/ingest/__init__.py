"""From a delivery's folder to the store: read, cast, check, screen for privacy, load.

`read_delivery` needs only a connection and stores nothing; `load` stores what it read.
"""
