"""Old eye scores: what a score given beside a ladder of steps says, and what it does not.

`rungs` holds the ladder as the tester used it, `typed` reads it and the scores from tables, `eye` says how an eye
reads it, `luck` what luck alone gives, `judging` puts the scores of one table in order of what can be said of them.
"""
