"""Live views of a run for the person at the bench: a local web page and a terminal view.

Both only read files of the run folder and leave requests in its inbox; they
run in processes of their own, so that a hung view cannot delay the supervisor.
"""
