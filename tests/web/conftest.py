"""A small board, reviewed and served: a clock over a supply that is cut in two."""

from __future__ import annotations

import http.client
import json
import threading
from dataclasses import dataclass, field

import pytest

from quietcopper.build import rectangle, small_board
from quietcopper.cli.review import review_to_folder
from quietcopper.formats.ipc2581.writer import write_ipc2581
from quietcopper.web import Server, Service


@pytest.fixture(scope="session")
def reviewed(tmp_path_factory):
    """The folder of a review, proven, with its board beside it."""
    folder = tmp_path_factory.mktemp("served")
    b = small_board(ground=(2,))
    b.net("3V3", kind="power")
    b.net("5V", kind="power")
    b.area("3V3", 3, rectangle(0.5, 0.5, 24.75, 29.5))
    b.area("5V", 3, rectangle(25.25, 0.5, 49.5, 29.5))
    b.trace("SPI_CLK", 4, [(5, 15), (45, 15)])
    write_ipc2581(b.build(), folder / "board.xml")
    review_to_folder(folder / "board.xml", None, folder / "review", quiet=True)
    return folder / "review"


@dataclass
class Caller:
    """Speaks to a server; what it sends by itself is what a browser on the page would send."""

    server: Server
    headers: dict[str, str] = field(default_factory=dict)

    def ask(self, method, path, body=None, **changed):
        """(status, body, headers); a header given as None is left out, '_' in names stands for '-'."""
        headers = {"Cookie": f"{self.server.cookie}={self.server.key}", "X-Review-Token": self.server.token}
        headers["Host"] = f"127.0.0.1:{self.server.server_port}"
        if body is not None:
            headers |= {"Content-Type": "application/json", "Origin": f"http://{headers['Host']}"}
            body = body if isinstance(body, bytes) else json.dumps(body).encode()
        headers |= {name.replace("_", "-"): value for name, value in changed.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.server.server_port, timeout=20)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in headers.items():
            if value is not None:
                connection.putheader(name, value)
        if body is not None and "Content-Length" not in {n.title() for n in headers}:
            connection.putheader("Content-Length", str(len(body)))
        connection.endheaders(body)
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        return answer.status, text, dict(answer.getheaders())

    def json(self, method, path, body=None):
        status, text, _ = self.ask(method, path, body)
        return status, json.loads(text)


@pytest.fixture
def served(reviewed, tmp_path):
    """A caller of the review, served on a free port with a file for decisions of its own."""
    server = Server(Service(reviewed, tmp_path / "board.decisions.jsonl"))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    yield Caller(server)
    server.shutdown()
    server.server_close()
    thread.join()
