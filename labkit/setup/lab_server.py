"""JupyterLab's program, there a second sooner.

Where it finds the package for it, jsonschema makes a parser for one kind of internet address (RFC
3987) as soon as it is imported: more than half of JupyterLab's imports, for what no file here has.
Without it addresses of that kind are not looked at, as jsonschema does it where it is missing.
"""

from __future__ import annotations

import sys

if __name__ == "__main__":
    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]

    from jupyterlab.labapp import main

    sys.exit(main())
