"""Keeping the register and the backgrounds true: import, moves, history, commissioning, approval."""
