"""What is in the jug: salts, concentrates, composition and units, equilibrium, dosing."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
