"""Figures of the alarm system, pure functions over the journal: load, floods, bad actors, shift handover.

Thresholds after ISA-18.2 / IEC 62682 and EEMUA 191 (as published second-hand, the standards' own text was not
at hand). A threshold that is only a habit of the trade is called a convention.
"""
