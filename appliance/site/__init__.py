"""The page that a phone is sent: what the box hears now, what it heard, and the log to take away.

A process of its own. It reads the live picture and the history, and asks the listening part for a mark over its local
socket. It owns no serial port, no pin and no way to write history, so nothing a phone does can disturb the listening.
"""

from appliance.site.app import create_app
from appliance.site.serve import run, serve

__all__ = ["create_app", "run", "serve"]
