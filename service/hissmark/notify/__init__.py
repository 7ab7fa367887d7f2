"""Telling people and programs outside about alarms: the outbox follows the journal, each receiver its outbox.

Nothing here can hold up intake: the journal is read after it was committed, on threads of our own.
"""
