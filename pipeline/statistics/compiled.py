"""The compiled functions of scipy.special, imported with this module and without the package.

The whole package takes four times as long to import, most of it for notes in its documentation and
for functions that are not compiled. Where scipy keeps the compiled ones elsewhere, or has one by
another name, all of it is imported.
"""

import importlib
import sys
from types import ModuleType
from typing import Any

PACKAGE = "scipy.special"


def function(name: str) -> Any:
    """A function of scipy.special."""
    for own in (name, f"_{name}"):  # with the underscore where the package chooses among several
        if hasattr(_FUNCTIONS, own):
            return getattr(_FUNCTIONS, own)
    return getattr(importlib.import_module(PACKAGE), name)


def _functions() -> ModuleType:
    if PACKAGE not in sys.modules:
        import scipy

        # stands for the package while its part is imported
        stand_in = sys.modules[PACKAGE] = ModuleType(PACKAGE)
        stand_in.__path__ = [f"{place}/special" for place in scipy.__path__]
        try:
            return importlib.import_module(f"{PACKAGE}._ufuncs")
        except ImportError:
            pass
        finally:
            del sys.modules[PACKAGE]
    return importlib.import_module(PACKAGE)


_FUNCTIONS = _functions()
