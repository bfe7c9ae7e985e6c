"""Entry of ``python3 -m labkit``: turns old Pythons away, hands on to labkit.setup.

Written so that Python 3.6 still parses it (as it must labkit/__init__.py): an old Python has to
get a sentence, not a syntax error.
"""

import os
import subprocess
import sys

OLDEST = (3, 11)
TRIED = (
    ("py -3.13", "py -3.12", "py -3.11")
    if os.name == "nt"
    else ("python3.13", "python3.12", "python3.11")
)


def runs(name: str) -> bool:
    """Whether that Python is here and can set labkit up: a name on the path may lead nowhere."""
    code = "import ensurepip, venv, sys; sys.exit(sys.version_info[:2] < {!r})".format(OLDEST)
    try:
        with open(os.devnull, "w") as nowhere:
            command = [*name.split(), "-c", code]
            return subprocess.call(command, stdout=nowhere, stderr=nowhere) == 0
    except OSError:
        return False


def refusal(found: "tuple[int, int]") -> str:
    """One sentence for a Python that is too old, naming a newer one if the machine has it."""
    here = [name for name in TRIED if runs(name)]
    remedy = (
        "run it with the newer one that is here, as: {} -m labkit {}"
        if here
        else "install a newer one beside it and run that, for example: {} -m labkit {}"
    ).format((here or TRIED)[0], " ".join(sys.argv[1:]) or "open")
    return "labkit: Python {}.{} or newer is needed and this is Python {}.{}: {}".format(
        *OLDEST, *found, remedy
    )


if __name__ == "__main__":
    if sys.version_info < OLDEST:
        sys.exit(refusal((sys.version_info[0], sys.version_info[1])))

    from labkit.setup.cli import main

    sys.exit(main(sys.argv[1:]))
