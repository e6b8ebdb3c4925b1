"""What may leave the service: a month's review turned into one without tokens or small counts.

`suppression` is the general piece: which counts of a table are withheld so that none from 1 to 10
stands there or can be worked out. `tables` and `sizes` make a period's tables, `periods` pools
months, `counts` reads what the tables need from the store. `edition.shared_review` puts them
together:

    safe = shared_review(review, shared_counts(con, review.month))

`safe.shared` (`schemas.shared_outputs.SharedTables`) then holds every number that may be told, and
the rest of `safe` is empty, so that nothing else can be printed from it. What a base may be given
of itself is its rows in `safe.shared.bases` (column `base`), beside the service's own rows in
`safe.shared.rules`; a base that is not among them is in 'other bases' there, and gets the service's
rows alone.

`act` is what commands call: `proposed` says what would be told, `hand_over` tells it for good, and
`memory` keeps what was told.
"""
