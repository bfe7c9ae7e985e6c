"""JupyterHub as DEVELOPERS.md sets it up: ten leads, their own data, two of them in one book.

    sudo .venv/bin/python -m tests.benchmarks.hub_users /srv/labkit --proxy configurable-http-proxy

On a machine of your own, as root: it makes the accounts hub-lead-0 to hub-lead-9, runs the guide's
two blocks for them (with the project's folder in place of /srv/labkit), starts the hub on this
machine only, logs everybody in, and takes all of it away again. What is asked: that everybody's
JupyterLab and kernel answer, run as that user and use that user's data; that nobody reads another's
data or server; and that of scores which two leads give at once into one session on PostgreSQL none
is lost or doubled. Runs with an environment that has what the tests need.
"""

from __future__ import annotations

import argparse
import asyncio
import http.cookiejar
import json
import os
import pwd
import re
import secrets
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tornado.httpclient import HTTPRequest
from tornado.websocket import websocket_connect

from tests.postgresql import a_postgresql_server
from tests.project import PROJECT, free_port

LEADS = tuple(f"hub-lead-{number}" for number in range(10))
PASSWORD = secrets.token_hex(8)
TOKEN = secrets.token_hex(16)
PATIENCE_S = 900

FURTHER = """
c.JupyterHub.authenticator_class = "dummy"
c.DummyAuthenticator.password = {password!r}
c.Authenticator.allow_all = True
c.JupyterHub.bind_url = "http://127.0.0.1:{port}"
c.JupyterHub.hub_port = {hub_port}
c.ConfigurableHTTPProxy.api_url = "http://127.0.0.1:{proxy_port}"
c.ConfigurableHTTPProxy.command = [{proxy!r}]
c.Spawner.start_timeout = c.Spawner.http_timeout = {patience}
c.JupyterHub.services = [{{"name": "by-hand", "api_token": {token!r}}}]
c.JupyterHub.load_roles = [
    {{"name": "by-hand", "scopes": ["access:servers"], "services": ["by-hand"]}}
]
"""

LOOK = """
import json, os, pathlib
import labkit
from labkit.book import data_folder

with labkit.open_book() as book:
    demo = book.name
own = data_folder() / "own.db"
with labkit.choose_book(own) as book:
    if not book.people.clients():
        book.people.add_client(os.environ["USER"])
with labkit.open_book() as book:
    clients = [one.name for one in book.people.clients()]
seen = []
for other in sorted(pathlib.Path("/home").glob("hub-lead-*/labkit/data")):
    try:
        seen.append(sorted(path.name for path in other.iterdir()) and str(other))
    except PermissionError:
        pass
print(json.dumps({"uid": os.getuid(), "demo": demo, "clients": clients, "seen": seen,
                  "labkit": labkit.__file__, "here": os.getcwd()}))
"""

PLAN = """
import json
import labkit as lk

book = lk.choose_book(URL)
for name, salt in [("calcium", "CaCl2·2H2O"), ("magnesium", "MgCl2·6H2O"), ("buffer", "KHCO3")]:
    book.stock.add_bottle(name, salt=salt, weighed_g=2.0, volume_ml=1000)
book.people.add_client("A roastery")
book.people.add_coffee("Ravendo, washed", client="A roastery")
book.people.add_tasters(["Ines", "Jonas", "Kesia", "Liv"])
sweep = lk.ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
planned = lk.plan_session(book, "Ravendo, washed", sweep, tasters=["Ines", "Jonas", "Kesia", "Liv"],
                          passphrase="four dry teaspoons", flights=4)
print(json.dumps({"session": planned.session.name, "cups": len(planned.servings)}))
"""

WRITE = """
import json, time
import labkit as lk

book = lk.choose_book(URL)
session = SESSION
mine = [one for one in book.sessions.plan(session).cups if one.taster in TASTERS]
time.sleep(max(0, AT - time.time()))
began = time.time()
for turn in range(3):  # a score, and two corrections of it
    for one in mine:
        given = {name: getattr(one, name) for name in ("flight", "taster", "blind_code")}
        frame = __import__("pandas").DataFrame([given | {"overall": 3 + turn}])
        lk.record_scores(book, session, frame, source="lead")
print(json.dumps({"given": 3 * len(mine), "began": began, "ended": time.time()}))
"""

COUNT = """
import json
import labkit as lk

book = lk.open_book()
kept = book.scores.history(SESSION)
cups = {}
for one in kept:
    cups.setdefault((one.taster, one.flight, one.blind_code), []).append(one.value)
print(json.dumps({"kept": len(kept), "cups": len(cups),
                  "in order": all(values == [3, 4, 5] for values in cups.values())}))
"""


def say(text: str) -> None:
    """One line, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def blocks_of_the_guide(project: Path) -> tuple[str, str]:
    """What each user needs (for sh) and the hub's settings, for a project in that folder."""
    text = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = text[text.index("\n## Many leads on one machine") :]
    (users,) = re.findall(r"```sh\n(install.*?)```", part, re.DOTALL)
    settings = re.findall(r"```py\n(.*?)```", part, re.DOTALL)[0]
    return users.replace("/srv/labkit", str(project)), settings.replace("/srv/labkit", str(project))


@contextmanager
def accounts(users_block: str) -> Iterator[None]:
    """Make the accounts as the guide does, and remove them."""
    made = []
    try:
        for lead in LEADS:
            subprocess.run(["useradd", "--create-home", lead], check=True)
            made.append(lead)
            # ~"$user" is a home only where the name is written out.
            commands = users_block.replace('~"$user"', f"~{lead}").replace('"$user"', lead)
            subprocess.run(["sh", "-e", "-c", commands], check=True)
        yield
    finally:
        for lead in made:
            subprocess.run(["userdel", "--remove", lead], check=False, capture_output=True)


@contextmanager
def hub(project: Path, settings: str, proxy: str, folder: Path) -> Iterator[str]:
    """Run it, with logins for this test; its address."""
    port, hub_port, proxy_port = free_port(), free_port(), free_port()
    further = FURTHER.format(
        password=PASSWORD,
        port=port,
        hub_port=hub_port,
        proxy_port=proxy_port,
        proxy=proxy,
        patience=PATIENCE_S,
        token=TOKEN,
    )
    (folder / "jupyterhub_config.py").write_text(settings + further, encoding="utf-8")
    command = [str(project / ".venv/bin/python"), "-m", "jupyterhub"]
    base = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    with (folder / "hub.log").open("w") as log:
        running = subprocess.Popen(command, cwd=folder, env=base, stdout=log, stderr=log)
        try:
            yield f"http://127.0.0.1:{port}"
        finally:
            running.terminate()
            running.wait(timeout=300)


class Browser:
    """One person's cookies."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.jar = http.cookiejar.CookieJar()
        self._open = urllib.request.build_opener(
            urllib.request.ProxyHandler({}), urllib.request.HTTPCookieProcessor(self.jar)
        )

    def get(self, path: str, **form: str) -> tuple[int, str, str]:
        """Status, where it led, and what it says."""
        data = urllib.parse.urlencode(form).encode() if form else None
        try:
            with self._open.open(self.address + path, data, timeout=PATIENCE_S) as answer:
                return answer.status, answer.url, answer.read().decode(errors="replace")
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.url or "", error.read().decode(errors="replace")
        except OSError as error:
            return 0, "", str(error)

    def log_in(self, lead: str) -> None:
        """Fill in the form, and wait for the JupyterLab of one's own."""
        deadline = time.monotonic() + PATIENCE_S
        while self.get("/hub/login")[0] != 200 and time.monotonic() < deadline:
            time.sleep(1)
        xsrf = next(one.value for one in self.jar if one.name == "_xsrf")
        self.get("/hub/login?next=%2Fhub%2Fspawn", username=lead, password=PASSWORD, _xsrf=xsrf)
        while time.monotonic() < deadline:
            status, led, _ = self.get(f"/user/{lead}/lab")
            if status == 200 and f"/user/{lead}/lab" in led:
                return
            time.sleep(2)
        raise SystemExit(f"{lead} has no JupyterLab: status {status} at {led}")


async def run(address: str, lead: str, code: str) -> dict[str, Any]:
    """Run code in a new kernel of the lead's server; the JSON that it prints last."""
    headers = {"Authorization": f"token {TOKEN}", "Content-Type": "application/json"}
    base = f"{address}/user/{lead}/api/kernels"

    def ask(method: str, url: str) -> Any:
        data = b'{"name": "python3", "path": "0-today.ipynb"}' if method == "POST" else None
        request = urllib.request.Request(url, data, headers, method=method)
        direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        with direct.open(request, timeout=PATIENCE_S) as answer:
            return json.loads(answer.read() or "null")

    kernel = (await asyncio.to_thread(ask, "POST", base))["id"]
    socket_url = f"{base}/{kernel}/channels".replace("http", "ws", 1)
    socket = await websocket_connect(HTTPRequest(socket_url, headers=headers, request_timeout=600))
    message = {
        "channel": "shell",
        "header": {"msg_id": uuid.uuid4().hex, "msg_type": "execute_request", "version": "5.3"}
        | {"session": uuid.uuid4().hex, "username": lead},
        "parent_header": {},
        "metadata": {},
        "content": {"code": code, "silent": False, "store_history": False, "stop_on_error": True}
        | {"user_expressions": {}, "allow_stdin": False},
    }
    await socket.write_message(json.dumps(message))
    printed = ""
    while True:
        text = await asyncio.wait_for(socket.read_message(), PATIENCE_S)
        got = json.loads(text)
        if got["msg_type"] == "stream" and got["content"]["name"] == "stdout":
            printed += got["content"]["text"]
        elif got["msg_type"] == "error":
            raise SystemExit(f"{lead}: " + "\n".join(got["content"]["traceback"]))
        elif got["msg_type"] == "execute_reply":
            break
    # What was printed may come on another channel after the reply.
    while not printed.strip().endswith("}"):
        got = json.loads(await asyncio.wait_for(socket.read_message(), 30))
        printed += got["content"].get("text", "") if got["msg_type"] == "stream" else ""
    socket.close()
    await asyncio.to_thread(ask, "DELETE", f"{base}/{kernel}")
    return dict(json.loads(printed.strip().splitlines()[-1]))


async def everybody(address: str, project: Path, url: str) -> None:
    """Log all in, look what each has, and let two write at once."""
    started = time.monotonic()
    browsers = {lead: Browser(address) for lead in LEADS}
    await asyncio.gather(*(asyncio.to_thread(browsers[lead].log_in, lead) for lead in LEADS))
    say(f"{len(LEADS)} JupyterLabs answer after {time.monotonic() - started:.0f} s")

    for lead, other in zip(LEADS, LEADS[1:] + LEADS[:1], strict=True):
        status, led, _ = await asyncio.to_thread(browsers[lead].get, f"/user/{other}/api/contents")
        assert status in (403, 404), (lead, other, status, led)
    say("nobody reaches another's server")
    status, _, listed = await asyncio.to_thread(browsers[LEADS[0]].get, f"/user/{LEADS[0]}/voila")
    assert status == 404, (status, listed[:300])
    say("no notebook is a page")

    started = time.monotonic()
    found = await asyncio.gather(*(run(address, lead, LOOK) for lead in LEADS))
    for lead, had in zip(LEADS, found, strict=True):
        account = pwd.getpwnam(lead)
        data = f"{account.pw_dir}/labkit/data"
        assert had["uid"] == account.pw_uid, had
        assert had["demo"] == f"{data}/demo.db", had
        assert had["clients"] == [lead], had
        assert had["seen"] == [data], had
        assert had["labkit"] == str(project / "labkit/__init__.py"), had
        assert had["here"] == f"{account.pw_dir}/labkit/workbook", had
    say(f"each kernel is its user's, with data of its own ({time.monotonic() - started:.0f} s)")

    one, two, *_ = LEADS
    planned = await run(address, one, f"URL = {url!r}\n{PLAN}")
    session = f"SESSION = {planned['session']!r}\n"
    head = f"URL = {url!r}\nAT = {time.time() + 20}\n{session}"
    gave = await asyncio.gather(
        run(address, one, head + f"TASTERS = ['Ines', 'Jonas']\n{WRITE}"),
        run(address, two, head + f"TASTERS = ['Kesia', 'Liv']\n{WRITE}"),
    )
    together = min(had["ended"] for had in gave) - max(had["began"] for had in gave)
    kept = await run(address, two, session + COUNT)
    say(f"two leads at once, {together:.1f} s together: {gave}, kept {kept}")
    assert together > 0, "they did not write at once: try again"
    assert kept == {
        "kept": sum(had["given"] for had in gave),
        "cups": planned["cups"],
        "in order": True,
    }
    say("of their scores none is lost, none doubled, each cup's in the order given")


def main() -> None:
    """Do it all."""
    asked = argparse.ArgumentParser()
    asked.add_argument("project", type=Path, help="set up, with jupyterhub in its .venv")
    asked.add_argument("--proxy", default="configurable-http-proxy")
    given = asked.parse_args()
    users, settings = blocks_of_the_guide(given.project)
    with (
        tempfile.TemporaryDirectory() as folder,
        a_postgresql_server() as server,
        accounts(users),
        hub(given.project, settings, given.proxy, Path(folder)) as address,
    ):
        try:
            asyncio.run(everybody(address, given.project, server.url))
        except BaseException:
            say((Path(folder) / "hub.log").read_text()[-6000:])
            raise


if __name__ == "__main__":
    main()
