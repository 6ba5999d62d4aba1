"""Made pictures and made campaigns: a stand-in for a bench, to try a plan before plates are spent.

It shares nothing with the reader but the geometry of the mat. What it assumes of paper, lamp, film and
cameras is written beside each figure; nearly all of it is estimate or common practice, none of it a
measurement.
"""
