"""hissmark: continuous watch over closed valves for leaks through the seat."""

__version__ = "0.1.0"
