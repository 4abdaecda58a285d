"""A card of ours, as root: what the boot file says becomes the box's settings and Wi-Fi; the page may ask for another.

Its modules are started by units of the card, which are older than this program where it came by an update: `start` and
`change` keep their names and words.
"""
