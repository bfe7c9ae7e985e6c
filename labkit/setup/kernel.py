"""The program behind a notebook or page: ipykernel with one way for its messages.

ipykernel 7 puts a thread between its socket and the kernel, for code that runs beside other code. A
message that comes while the kernel is being made may wake neither: one program in some dozens never
answered, and its page stayed empty. Nothing here runs code beside other code.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

if __name__ == "__main__" and Path(sys.path[0]).resolve() == Path.cwd():
    del sys.path[0]  # as ipykernel's own start does: what lies beside a notebook hides no library

from ipykernel.kernelapp import IPKernelApp


class Program(IPKernelApp):
    """ipykernel's application, whose kernel reads its socket itself."""

    def init_control(self, context: Any) -> None:
        """Make the sockets of the control channel, and no thread for the shell's."""
        super().init_control(context)  # type: ignore[no-untyped-call]
        self.shell_channel_thread = None


if __name__ == "__main__":
    Program.launch_instance()
