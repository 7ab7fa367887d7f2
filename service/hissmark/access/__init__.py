"""Who may: users, passwords, sessions, tokens, roles, limits on guessing, and the record of who did what."""
