"""Starts the web server of the tasters' page, without what it would load in vain."""

from __future__ import annotations

import sys


def main(port: int, notebook: str) -> None:
    """Serve until a signal comes."""
    # jsonschema would build a parser of international addresses, which nobody here asks for: half
    # of the time that the server takes to start. It does without where the package is missing.
    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    from labkit.widgets.tasters import server as tasters_server

    tasters_server.main(port, notebook)


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
