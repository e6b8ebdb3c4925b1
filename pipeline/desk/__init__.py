"""The desk: the month's work done in the browser of the machine it runs on, and nowhere else.

`server.py` binds and ends, `guard.py` decides who is answered, `doors.py` hands out links and form
tokens, `held.py` opens the store for what is asked and lets it go; the rest are its pages. What may
be said and done is decided in `pipeline/followup`, for the desk as for the sheet and the commands.
"""
