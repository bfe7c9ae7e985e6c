"""What the scores say: the panel, the surface, the best water, the next flight, when to stop.

It reads one DataFrame, a row a score, and knows neither the lab book nor the screen.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
