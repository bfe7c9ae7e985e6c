"""labkit: find, with a blind panel and few cups, the brew water that shows a coffee best."""

__version__ = "0.1.0"
