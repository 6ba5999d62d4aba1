"""The bench's forms, one after the other.

A file in `versions` is never edited once a bench may have been made by it.
"""
