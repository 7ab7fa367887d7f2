"""The long history: samples of past days in Parquet files, and what is summed up from them.

A day's samples of a group are *sealed* into one file; the database keeps the recent days. Files are laid out
so that any program that reads Parquet can use them without this one (the manual's page "History" has the
schema).
"""
