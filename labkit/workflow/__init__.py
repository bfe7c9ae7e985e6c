"""The steps of the work, each one call: what forms, notebooks and scripts have in common."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
