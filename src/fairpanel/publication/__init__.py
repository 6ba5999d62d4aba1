"""What is published: results and findings to a page, tables and a data package, as files one by one.

Pure: nothing here opens a bench or writes to a disk, and nothing knows any test method by name.
"""
