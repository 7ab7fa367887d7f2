"""Numbers in sentences."""


def counted(n: int, noun: str) -> str:
    """``1 valve``, ``3 valves``."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
