"""What people do: reviews, assignments, releases, rule books saved, accounts, the audit log, work they asked for.

It is kept beside the archive, never inside it: an archive can be made again from recordings, a decision cannot.
The store knows events by their id and people by their user name; nothing else in it points at a flight or a crew.
"""
