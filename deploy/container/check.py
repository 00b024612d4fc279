"""Checks the image as it would run: as another user with a read-only root, behind a balancer, and as a pod.

Needs podman, HAProxy, root, and an image of this machine (build.sh). Ends with 1 and the reason where a check fails.
Usage: python deploy/container/check.py IMAGE [--quick]; --quick runs one container only.
"""

from __future__ import annotations

import http.client
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import yaml

from ebbmark.keys import new_key_set

ROOT = Path(__file__).parents[2]
REQUEST = (ROOT / "fixtures" / "clear-closing" / "request.json").read_bytes()
LIMITS = (
    "--user=12345:12345", "--read-only", "--read-only-tmpfs=false", "--tmpfs=/tmp:size=16m", "--cap-drop=ALL",
    "--security-opt=no-new-privileges", "--memory=300m", "--network=host",
)  # fmt: skip
PODMAN = ("podman",)


class Failed(Exception):
    """A check that did not hold."""


@dataclass(frozen=True, slots=True)
class Reply:
    """Status and body."""

    status: int
    body: bytes


def asked(port: int, method: str = "GET", path: str = "/health/ready", body: bytes | None = None) -> Reply:
    """One request on a connection of its own."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        headers = {"Content-Type": "application/fhir+json"} if body else {}
        connection.request(method, path, body, headers)
        reply = connection.getresponse()
        return Reply(reply.status, reply.read())
    finally:
        connection.close()


def answer(port: int) -> Reply:
    """The trial of a fixture, answered."""
    return asked(port, "POST", "/fhir/$titrate-peep", REQUEST)


def without_time(reply: Reply) -> str:
    """An answer without the time of recording, which is the only thing that may differ between two of one trial."""
    kept = json.loads(reply.body)
    for entry in kept["entry"]:
        for name in ("recorded", "issued", "occurrenceDateTime", "meta"):
            entry["resource"].pop(name, None)
    return json.dumps(kept)


def hold(holds: bool, what: str) -> None:
    """Say what holds, or fail."""
    if not holds:
        raise Failed(what)
    print(f"  {what}")


def free_port() -> int:
    """A port that nobody has just now."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def podman(*arguments: str) -> str:
    """Run podman."""
    done = subprocess.run([*PODMAN, *arguments], capture_output=True, text=True, check=False)  # noqa: S603
    if done.returncode:
        raise Failed(f"podman {arguments[0]} failed: {done.stderr[-600:]}")
    return done.stdout.strip()


def wait_until_ready(port: int, path: str = "/health/ready") -> float:
    """Seconds until it is ready, or alive."""
    began_s = time.monotonic()
    while time.monotonic() < began_s + 30:
        try:
            if asked(port, path=path).status == 200:
                return time.monotonic() - began_s
        except OSError:
            time.sleep(0.05)
    raise Failed(f"nothing is ready on port {port} after 30 s")


@contextmanager
def replica(image: str, name: str, *more: str) -> Iterator[int]:
    """A container of the image within the limits; its port."""
    port = free_port()
    settings = {"EBBMARK_HOST": "127.0.0.1", "EBBMARK_PORT": str(port)}
    podman("rm", "--force", "--ignore", name)
    environment = [f"--env={key}={value}" for key, value in settings.items()]
    try:
        podman("run", "--detach", f"--name={name}", *LIMITS, *environment, *more, image)
        yield port
    finally:
        podman("rm", "--force", "--ignore", "--time=0", name)


def check_one(image: str) -> None:
    """One container, within the limits that a cluster sets."""
    print("One container: another user, read-only root, no capabilities, 300 MiB")
    metrics_port = free_port()
    with replica(image, "ebbmark-check", f"--env=EBBMARK_METRICS_PORT={metrics_port}") as port:
        ready_s = wait_until_ready(port)
        hold(ready_s < 15, f"ready {ready_s:.2f} s after the container was made")
        hold(answer(port).status == 200, "answers a trial")
        metrics = asked(metrics_port, path="/metrics").body.decode()
        hold('ebbmark_answers_total{operation="titrate-peep",verdict="found"} 1.0' in metrics, "counts it")
        used = [line for line in metrics.splitlines() if line.startswith("process_resident_memory_bytes")]
        print(f"  uses {float(used[0].split()[1]) / 2**20:.0f} MiB")
        began_s = time.monotonic()
        podman("stop", "--time=20", "ebbmark-check")
        hold(time.monotonic() - began_s < 10, f"stops when told, in {time.monotonic() - began_s:.2f} s")
        hold(podman("inspect", "--format={{.State.ExitCode}}", "ebbmark-check") in ("0", "143"), "and in good order")


@contextmanager
def balancer(ports: tuple[int, int]) -> Iterator[int]:
    """HAProxy in front of two replicas; its port."""
    port = free_port()
    environment = {
        "PATH": os.environ["PATH"],
        "LISTEN": f"127.0.0.1:{port}",
        "REPLICA_1": f"127.0.0.1:{ports[0]}",
        "REPLICA_2": f"127.0.0.1:{ports[1]}",
    }
    command = ["haproxy", "-db", "-f", str(ROOT / "deploy" / "balancer" / "haproxy.cfg")]
    with subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL) as process:  # noqa: S603
        try:
            yield port
        finally:
            process.terminate()


def check_two(image: str) -> None:
    """Two replicas; one is killed under load."""
    print("Two replicas behind a balancer, one killed under load")
    with replica(image, "ebbmark-one") as one, replica(image, "ebbmark-two") as two, balancer((one, two)) as port:
        for each in (one, two, port):
            wait_until_ready(each)
        replies: list[Reply | OSError | http.client.HTTPException] = []

        def ask_often() -> None:
            for _ in range(40):
                try:
                    replies.append(answer(port))
                except (OSError, http.client.HTTPException) as error:
                    replies.append(error)

        askers = [threading.Thread(target=ask_often) for _ in range(3)]
        for each_asker in askers:
            each_asker.start()
        time.sleep(0.7)
        podman("kill", "ebbmark-one")
        for each_asker in askers:
            each_asker.join()
        good = [reply for reply in replies if isinstance(reply, Reply) and reply.status == 200]
        lost = len(replies) - len(good)
        # A request that the killed replica had taken is lost: only its sender knows whether it may be sent again.
        hold(lost <= len(askers), f"{len(good)} of {len(replies)} answered, {lost} cut with the replica that had them")
        hold(answer(port).status == 200, "whoever asks again is answered")
        hold(
            len({without_time(reply) for reply in good}) == 1, "all answers are the same, but for the time of recording"
        )


def pod_manifest(image: str, overlay: str) -> str:
    """The Deployment with its ConfigMaps, and keys made for this check."""
    kubernetes = ROOT / "deploy" / "kubernetes"
    settings: dict[str, str] = {}
    for place in (kubernetes / "base", kubernetes / "overlays" / overlay):
        generated = yaml.safe_load((place / "kustomization.yaml").read_text(encoding="utf-8"))["configMapGenerator"]
        literals = next(one["literals"] for one in generated if one["name"] == "ebbmark-settings")
        settings |= dict(literal.split("=", 1) for literal in literals)
    deployment = yaml.safe_load((kubernetes / "base" / "deployment.yaml").read_text(encoding="utf-8"))
    deployment["spec"]["replicas"] = 1
    pod = deployment["spec"]["template"]["spec"]
    pod["hostNetwork"] = True
    (container,) = pod["containers"]
    container["image"] = image
    # Podman maps named ports on a bridge only, and there is none on a machine that is itself a container.
    del container["ports"]
    # Podman 4.3 mounts a Secret undecoded, for root only, and knows no fsGroup: a ConfigMap takes its place here.
    for volume in pod["volumes"]:
        if volume.pop("secret", None):
            volume["configMap"] = {"name": "ebbmark-keys"}
    keys = json.dumps(new_key_set("ES384"))
    parts = [
        {"kind": "ConfigMap", "metadata": {"name": "ebbmark-settings"}, "data": settings},
        {"kind": "ConfigMap", "metadata": {"name": "ebbmark-site"}, "data": {"none": ""}},
        {"kind": "ConfigMap", "metadata": {"name": "ebbmark-keys"}, "data": {"signing.json": keys}},
        {"kind": "Secret", "metadata": {"name": "ebbmark-secrets"}, "data": {}},
    ]
    return yaml.safe_dump_all([*({"apiVersion": "v1", **part} for part in parts), deployment])


def check_pod(image: str, overlay: str) -> None:
    """The Deployment of an overlay as a pod."""
    print(f"The Deployment of the overlay {overlay}, played as a pod")
    with tempfile.TemporaryDirectory() as folder:
        manifest = Path(folder) / "pod.yaml"
        manifest.write_text(pod_manifest(image, overlay), encoding="utf-8")
        podman("play", "kube", "--network=host", "--replace", str(manifest))
        try:
            wait_until_ready(8087, "/health/live")
            # The issuer of the overlay is a name of documentation, which leads nowhere.
            hold(json.loads(asked(8087).body)["status"] == "starting", "is not ready before an issuer's keys are there")
            hold(answer(8087).status == 401, "asks whoever comes to sign in")
            sampled = asked(9090, path="/metrics").body.decode()
            hold('ebbmark_sign_in_refusals_total{reason="no-token"} 1.0' in sampled, "and counts it")
            published = asked(8087, path="/.well-known/jwks.json").body.decode()
            hold("ES384" in published and '"d"' not in published, "publishes the public part of its key")
        finally:
            podman("play", "kube", "--down", str(manifest))
            podman("secret", "rm", "ebbmark-secrets")
            podman("volume", "rm", "--force", "ebbmark-keys", "ebbmark-site", "scratch")


def main(image: str, *, quick: bool) -> int:
    """Run all checks, or those of one container."""
    try:
        check_one(image)
        if quick:
            return 0
        check_two(image)
        check_pod(image, "backend-services")
    except Failed as failed:
        print(f"FAILED: {failed}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], quick="--quick" in sys.argv))
