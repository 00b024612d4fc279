"""Starts two replicas of an image of this machine behind HAProxy, with metrics, until Ctrl-C; sign-in is off.

Needs podman, HAProxy and root. Usage: .venv/bin/python deploy/container/replicas.py [IMAGE]
"""

from __future__ import annotations

import signal
import sys
from pathlib import Path

# As a program it finds its neighbours from the folder above.
sys.path.insert(0, str(Path(__file__).parents[1]))

from container.check import Failed, balancer, free_port, replica, wait_until_ready


def main(image: str = "localhost/ebbmark:latest") -> int:
    """Run until told to stop."""
    # Blocked before anything starts, so that a signal is waited for and ends everything in order.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    shown = free_port(), free_port()
    metrics = [f"--env=EBBMARK_METRICS_PORT={port}" for port in shown]
    try:
        with (
            replica(image, "ebbmark-one", metrics[0]) as one,
            replica(image, "ebbmark-two", metrics[1]) as two,
            balancer((one, two)) as port,
        ):
            for each in (one, two, port):
                wait_until_ready(each)
            print(f"Two replicas answer at http://127.0.0.1:{port}/fhir/metadata")
            print("Metrics: " + ", ".join(f"http://127.0.0.1:{each}/metrics" for each in shown), flush=True)
            signal.sigwait({signal.SIGINT, signal.SIGTERM})
    except Failed as failed:
        print(failed, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
