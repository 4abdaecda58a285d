"""linelamp: listens to a GNSS serial line, never speaks, and says go or no-go, why and since when."""

__version__ = "0.1.0"
