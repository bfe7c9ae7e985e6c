"""What Jupyter starts as a kernel, for one that is forked in the nursery: see ``nursery.py``."""

import json
import os
import signal
import socket
import sys

line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
line.connect(sys.argv[1])
asked = json.dumps([sys.argv[2:], os.getcwd(), dict(os.environ)])
socket.send_fds(line, [asked.encode()], [0, 1, 2])
kernel = int(line.recv(64))
for passed_on in (signal.SIGINT, signal.SIGTERM):
    signal.signal(passed_on, lambda number, _frame: os.kill(kernel, number))

server = os.getppid()
line.settimeout(0.5)
while os.getppid() == server:
    try:
        line.recv(1)
    except TimeoutError:
        continue
    break  # the kernel has ended
