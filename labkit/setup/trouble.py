"""What went wrong when pip failed, told in one sentence from what pip printed."""

from __future__ import annotations

from pathlib import PurePath

DISK_FULL = (
    "the disk is full: make room (about 1.5 GB, also where temporary files go) and start again"
)
"""Of the project's disk, or of the one that pip unpacks on."""

_SIGNS = (
    (
        ("do not match the hashes", "DO NOT MATCH THE HASHES"),
        "a package arrived that is not the one the lock names, so nothing of it was installed: "
        "start again, and if it happens again ask who runs your network or package mirror",
    ),
    (
        ("No space left on device", "There is not enough space on the disk"),
        DISK_FULL,
    ),
    (
        (
            "NewConnectionError",
            "ConnectTimeoutError",
            "ReadTimeoutError",
            "ProxyError",
            "NameResolutionError",
            "Failed to establish a new connection",
            "Temporary failure in name resolution",
            "Could not fetch URL",
            "Connection broken",
            "SSLError",
        ),
        "the packages could not be fetched: check that this machine is online (and that a proxy, "
        "if you use one, is running and named in HTTPS_PROXY), then start again; what was fetched "
        "is kept",
    ),
    (
        ("No matching distribution found",),
        "a package has no ready-made build for this machine and this Python: use Python 3.11, "
        "3.12 or 3.13 on 64-bit Linux, macOS or Windows",
    ),
)


def pip_trouble(said: str, *, log: PurePath) -> str:
    """Sentence for a failed pip run.

    Parameters
    ----------
    said : str
        All that pip printed.
    log : path
        Where the reader finds it.

    Returns
    -------
    sentence : str
    """
    for signs, sentence in _SIGNS:
        if any(sign in said for sign in signs):
            return f"{sentence} (all that pip said is in {log})"
    errors = [line for line in said.splitlines() if line.startswith("ERROR:")]
    last = f", its last word was '{errors[-1][7:]}'" if errors else ""
    return f"pip could not install the packages{last}: read {log}, fix that and start again"
