"""The process of Prefect's embedded server; it ends when its owner does, however that ended.

Run as a script: the port is its argument, its standard input a pipe that its owner holds open.
"""

from __future__ import annotations

import os
import sys
import threading


def serve(port: int) -> None:
    """Serve Prefect's API on the loopback interface until terminated."""
    import uvicorn

    threading.Thread(target=_leave_with_owner, daemon=True).start()
    uvicorn.run(
        "prefect.server.api.server:create_app",
        factory=True,
        host="127.0.0.1",
        port=port,
        log_level="error",
        lifespan="on",
    )


def _leave_with_owner() -> None:
    """Wait for the end of standard input: the parent process has exited."""
    while os.read(sys.stdin.fileno(), 1):
        pass
    os._exit(0)


if __name__ == "__main__":
    serve(int(sys.argv[1]))
