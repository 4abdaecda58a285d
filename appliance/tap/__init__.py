"""The listening daemon: readers, core and keeper as threads of one process, and what binds them."""
