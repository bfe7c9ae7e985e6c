"""Entry of ``python3 -m labkit``: turns old Pythons away, hands on to labkit.setup.

Written so that Python 3.6 still parses it (as it must labkit/__init__.py): an old Python has to
get a sentence, not a syntax error.
"""

import shutil
import sys

OLDEST = (3, 11)
TRIED = ("python3.13", "python3.12", "python3.11")


def refusal(found: "tuple[int, int]") -> str:
    """One sentence for a Python that is too old, naming a newer one if the machine has it."""
    here = [name for name in TRIED if shutil.which(name)]
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
