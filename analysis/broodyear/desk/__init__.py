"""The desk: the whole job in a local page, for people who never open a terminal. ``server.serve`` opens it.

One process serves the pages and never opens the store itself; whatever reads or changes the store is done by one
worker process at a time, which can be stopped, and which calls the same functions as the command line. The worker
has no use for the web framework, and the server none for the numerical modules.
"""
