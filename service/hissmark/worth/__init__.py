"""What a leak is worth: from level to rate, loss, emissions and seat class, each with its uncertainty.
Pure.
"""
