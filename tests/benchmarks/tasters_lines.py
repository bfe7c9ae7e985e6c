"""The tasters' server alone: twelve lines without browsers, from a touch to its acknowledgement.

Run by hand::

    python -m tests.benchmarks.tasters_lines [tasters]

Browsers on the same machine take most of its processor (tests/benchmarks/tasters_load.py has them).
Here all ask for their page together, then give a score every 0.3 s over their line. Prints how long
a page and a score take, beside a bare SQLite writer at the same pace in the same run.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import sys
import tempfile
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tornado.httpclient import AsyncHTTPClient
from tornado.websocket import websocket_connect

from tests.benchmarks.tasters_load import (
    PAUSE_S,
    bare_commits_ms,
    processor_s,
    quantiles,
    resident_mb,
    say,
)
from tests.widgets.serving import kept, serving
from tests.widgets.tables import SESSION, lay_table

TOUCHES = 100


async def visit(address, ready):
    """One taster: seconds to the page, and milliseconds from touch to acknowledgement."""
    begun = time.monotonic()
    page = (await AsyncHTTPClient().fetch(address, request_timeout=120)).body.decode()
    opened_s = time.monotonic() - begun
    plan = json.loads(re.search(r'id="plan">(.*)</script>', page).group(1))
    cup = plan["look"]["cups"][0]
    line = await websocket_connect(address.replace("http", "ws").replace("/?", "/line?"))
    await ready.wait()
    waits = []
    for n in range(TOUCHES):
        await asyncio.sleep(PAUSE_S)
        score = {**cup, "id": uuid.uuid4().hex, "attribute": "acidity", "value": n % 16}
        begun = time.perf_counter()
        await line.write_message(json.dumps({"number": n, "page": plan["mark"], "scores": [score]}))
        answer = json.loads(await line.read_message())
        waits.append(1000 * (time.perf_counter() - begun))
        assert len(answer["kept"]) == 1, answer
    return opened_s, waits


async def everybody(addresses):
    """All tasters together."""
    ready = asyncio.Barrier(len(addresses))
    return await asyncio.gather(*(visit(address, ready) for address in addresses))


def main(n_tasters=12):
    """Run and print."""
    names = tuple(f"Taster {chr(65 + i)}" for i in range(n_tasters))
    AsyncHTTPClient.configure(None, max_clients=n_tasters)
    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(1) as pool:
        folder = Path(scratch)
        say(f"load of the machine at the start {os.getloadavg()[0]:.1f}")
        lay_table(folder / "book.db", tasters=names)
        with serving(folder / "book.db", SESSION, folder) as place:
            addresses = [link.address for link in place.links().values()]
            before_s = processor_s(place.process.pid)
            n_scores = n_tasters * TOUCHES
            bare = pool.submit(bare_commits_ms, folder, n_scores, PAUSE_S / n_tasters)
            results = asyncio.run(everybody(addresses))
            used_s = processor_s(place.process.pid) - before_s
            say(f"memory of the server (MB): {resident_mb(place.process.pid):.0f}")
        opened = [opened_s for opened_s, _ in results]
        waits = [wait for _, waits in results for wait in waits]
        say(f"{n_tasters} pages at once (s): {min(opened):.2f} to {max(opened):.2f}")
        say(f"a bare writer's row (ms): {quantiles(bare.result())}")
        say(f"touch to acknowledged (ms): {quantiles(waits)}")
        say(f"the server's processor: {1000 * used_s / n_scores:.1f} ms a score, pages included")
        say(f"load of the machine at the end {os.getloadavg()[0]:.1f}")
        if len(kept(folder / "book.db", SESSION)) != n_scores:
            raise SystemExit("a score is missing or there twice")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
