"""An S3-compatible server on loopback for tests: ``moto`` in a process of its own, and a proxy before it that fails as asked.

``python tests/s3_server.py`` serves with an empty memory until its standard input ends, and prints its port.
"""

from __future__ import annotations

import http.client
import socket
import struct
import sys
import threading
import time
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

HOST = "127.0.0.1"
REFUSAL = "<Error><Code>InvalidAccessKeyId</Code><AWSAccessKeyId>{key}</AWSAccessKeyId></Error>"
DENIAL = "<Error><Code>AccessDenied</Code></Error>"


class Proxy(ThreadingHTTPServer):
    """Hands requests on to the server at ``port``. ``fault(method, path, how_often)`` names what goes wrong with one:

    500, 403, denied (an answer of the proxy's own), reset (the connection ends without one), slow (none for ``slow_s``), lost (the
    server does it and its answer is lost), unconditional (the server is not told of any condition), or "" for nothing.
    """

    daemon_threads = True

    def __init__(self, port: int) -> None:
        super().__init__((HOST, 0), Handler)
        self.target, self.slow_s = port, 3.0
        self.fault: Any = lambda method, path, how_often: ""
        self.asked: Counter[tuple[str, str]] = Counter()
        self.counting = threading.Lock()
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.server_address[1]}"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that has gone is no matter."""


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Proxy

    def handle_any(self) -> None:
        body = self._read_body()
        with self.server.counting:
            self.server.asked[self.command, self.path] += 1
            how_often = self.server.asked[self.command, self.path]
        fault = self.server.fault(self.command, self.path, how_often)
        if fault == "slow":
            time.sleep(self.server.slow_s)
        if fault in ("reset", "slow"):
            return self._reset()
        if fault in ("500", "403", "denied"):
            key = self.headers.get("Authorization", "").partition("Credential=")[2].partition("/")[0]
            text = {"403": REFUSAL.format(key=key), "denied": DENIAL}.get(fault, "")
            return self._answer(500 if fault == "500" else 403, {}, text.encode())
        headers = {
            k: v
            for k, v in self.headers.items()
            if fault != "unconditional" or not k.lower().startswith("if-")
        }
        upstream = http.client.HTTPConnection(HOST, self.server.target, timeout=30)
        upstream.request(self.command, self.path, body, headers)
        found = upstream.getresponse()
        content = found.read()
        upstream.close()
        if fault == "lost":
            return self._reset()
        return self._answer(found.status, dict(found.getheaders()), content)

    do_GET = do_PUT = do_HEAD = do_POST = do_DELETE = handle_any

    def _read_body(self) -> bytes:
        return self.rfile.read(int(self.headers.get("Content-Length") or 0))

    def _reset(self) -> None:
        self.close_connection = True
        self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def _answer(self, status: int, headers: dict[str, str], content: bytes) -> None:
        self.send_response_only(status)
        length = headers.get("Content-Length") if self.command == "HEAD" else None
        for name, value in headers.items():
            if name.lower() not in ("content-length", "transfer-encoding", "connection"):
                self.send_header(name, value)
        self.send_header("Content-Length", length or str(len(content)))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(content)

    def log_message(self, *words: Any) -> None:
        """Nothing: the test's output is read."""


def main() -> None:
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address=HOST, port=0, verbose=False)
    server.start()
    print(server.get_host_and_port()[1], flush=True)
    sys.stdin.read()
    server.stop()


if __name__ == "__main__":
    main()
