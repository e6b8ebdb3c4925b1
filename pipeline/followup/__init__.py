"""What follows a flag: determinations, audits, publications, corrections, what-if, the ledger.

Kept tables are under `loop.` in the store, their shapes in `schemas.followup`. Apart from corrected
content, which becomes a further content of its trip, nothing here changes what was delivered.
"""
