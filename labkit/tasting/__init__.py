"""What is served, when, and under which code; blindness is a type here.

A :class:`labkit.tasting.CupPlan` has no recipe in it. Which code is which water lies in a
:class:`labkit.tasting.SealedKey` for each flight, and only there.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
