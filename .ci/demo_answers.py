"""Start `bmslogs demo` of an installed wheel in an empty folder and ask it for its first page, in bounded time."""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request

SECONDS = 180.0


def free_port() -> int:
    """Return a port of this machine that nothing listens at."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def main(program: str) -> int:
    """Return 0 when the page came, 1 when it did not."""
    port = free_port()
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen([program, "demo", "--port", str(port)], cwd=folder)
        try:
            end = time.monotonic() + SECONDS
            while time.monotonic() < end and server.poll() is None:
                try:
                    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
                        page = answer.read().decode()
                    print(f"demo answered {answer.status} with {len(page)} characters")
                    return 0 if answer.status == 200 and "bmslogs" in page.lower() else 1
                except (urllib.error.URLError, ConnectionError, TimeoutError):
                    time.sleep(0.5)
            print(f"demo did not answer within {SECONDS:.0f} s (exit code {server.poll()})", file=sys.stderr)
            return 1
        finally:
            server.terminate()
            server.wait(20)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
