"""Values the leaks of a site: brings history, measured leaks and assumptions to the pure reckoning of
`worth`.
"""
