"""Gives the box another version of its program, as root, and goes back by itself where that does not run.

Run by the system's own Python and with nothing but its library: it must work while the program is broken. What it
takes comes from a page that anybody may have got hold of, so nothing of it is opened before its signature is right.
"""
