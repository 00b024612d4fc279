"""The Kubernetes manifests: valid by Kubernetes' own schemas, as written and as Kustomize renders them; their settings
start the service.

Source: the schemas in kubernetes-validate, made from the OpenAPI document of each Kubernetes release; strict refuses
fields that no release knows. Rendered by kustomize itself (sigs.k8s.io/kustomize), where it is on the PATH.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from ebbmark.keys import new_key_set
from ebbmark.settings import PREFIX, Settings
from ebbmark.web.app import create_app
from ebbmark.web.launch.session import new_cookie_key_set

KUBERNETES = Path(__file__).parents[2] / "deploy" / "kubernetes"
BASE = KUBERNETES / "base"
OVERLAYS = sorted(one.name for one in (KUBERNETES / "overlays").iterdir())
RELEASES = ("1.30", "1.37")
"""The oldest that has the sleep before the stop, and the newest that the schemas hold."""
MANIFESTS = sorted(one.name for one in BASE.glob("*.yaml") if one.name != "kustomization.yaml")


def read(file: Path) -> Any:  # noqa: ANN401
    return yaml.safe_load(file.read_text(encoding="utf-8"))


def literals(kustomization: Path) -> dict[str, str]:
    """The settings that a kustomization names."""
    (settings,) = [one for one in read(kustomization)["configMapGenerator"] if one["name"] == "ebbmark-settings"]
    return dict(one.split("=", 1) for one in settings["literals"])


@cache
def rendered(folder: Path) -> tuple[Any, ...]:
    """All objects of a kustomization, by kustomize."""
    if shutil.which("kustomize") is None:
        pytest.skip("kustomize is not on this machine; .ci/run brings it where Go is")
    built = subprocess.run(["kustomize", "build", str(folder)], capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    return tuple(yaml.safe_load_all(built.stdout))


def settings_of(overlay: str, monkeypatch: pytest.MonkeyPatch, files: Path) -> Settings:
    """What the service would read in this overlay, with its files in another place."""
    for name, value in {
        **literals(BASE / "kustomization.yaml"),
        **literals(KUBERNETES / "overlays" / overlay / "kustomization.yaml"),
        "EBBMARK_HOST": "0.0.0.0",  # noqa: S104 - as the image sets it
    }.items():
        monkeypatch.setenv(name, value.replace("/etc/ebbmark/keys", str(files)))
    return Settings()


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("name", MANIFESTS)
def test_a_manifest_is_valid_by_the_schemas_of_the_oldest_and_the_newest_kubernetes(name: str, release: str) -> None:
    kubernetes_validate.validate(read(BASE / name), release, strict=True)


def test_the_schemas_see_a_field_that_does_not_exist() -> None:
    broken = read(BASE / "deployment.yaml")
    broken["spec"]["template"]["spec"]["containers"][0]["readinessProb"] = {}

    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(broken, RELEASES[-1], strict=True)


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("overlay", OVERLAYS)
def test_an_overlay_renders_to_objects_that_the_oldest_and_the_newest_kubernetes_take(
    overlay: str, release: str
) -> None:
    objects = rendered(KUBERNETES / "overlays" / overlay)

    for one in objects:
        kubernetes_validate.validate(one, release, strict=True)
    assert {"Deployment", "Service", "NetworkPolicy", "ConfigMap"} <= {one["kind"] for one in objects}


@pytest.mark.parametrize("overlay", OVERLAYS)
def test_what_an_overlay_renders_fits_together(overlay: str) -> None:
    objects = rendered(KUBERNETES / "overlays" / overlay)
    (pod,) = [one["spec"]["template"] for one in objects if one["kind"] == "Deployment"]
    specs = [one["spec"] for one in objects if one["kind"] in ("Service", "NetworkPolicy", "PodDisruptionBudget")]
    selected = [spec.get("podSelector") or spec["selector"] for spec in specs]
    (container,) = pod["spec"]["containers"]
    maps = {one["metadata"]["name"] for one in objects if one["kind"] == "ConfigMap"}
    named = {one["configMapRef"]["name"] for one in container["envFrom"] if "configMapRef" in one}
    named |= {one["configMap"]["name"] for one in pod["spec"]["volumes"] if "configMap" in one}

    # A selector that finds no pod is valid by every schema.
    assert all((one.get("matchLabels") or one).items() <= pod["metadata"]["labels"].items() for one in selected)
    assert named == maps
    assert container["image"] != "ebbmark"


def test_the_component_of_a_shared_store_opens_the_way_to_it(tmp_path: Path) -> None:
    parts = {"resources": f"overlays/{OVERLAYS[0]}", "components": "components/shared-store"}
    listed = {name: [os.path.relpath(KUBERNETES / folder, tmp_path)] for name, folder in parts.items()}
    (tmp_path / "kustomization.yaml").write_text(yaml.safe_dump(listed))

    objects = rendered(tmp_path)

    names = [one["metadata"]["name"] for one in objects if one["kind"] == "NetworkPolicy"]
    assert names == ["ebbmark", "ebbmark-shared-store"]
    for one in objects:
        kubernetes_validate.validate(one, RELEASES[0], strict=True)


def test_the_component_of_a_refusal_log_names_a_file_in_a_volume_that_can_be_written_to() -> None:
    patch = read(KUBERNETES / "components" / "refusal-log" / "deployment.yaml")["spec"]["template"]["spec"]
    (container,) = patch["containers"]
    (mount,) = container["volumeMounts"]
    (volume,) = patch["volumes"]
    (setting,) = container["env"]

    assert setting["name"].removeprefix(PREFIX).lower() in Settings.model_fields
    assert str(Path(setting["value"]).parent) == mount["mountPath"]
    assert mount["name"] == volume["name"]
    assert "emptyDir" in volume
    assert not mount.get("readOnly")
    (base,) = read(BASE / "deployment.yaml")["spec"]["template"]["spec"]["containers"]
    assert base["name"] == container["name"]


def test_every_manifest_belongs_to_the_base() -> None:
    assert sorted(read(BASE / "kustomization.yaml")["resources"]) == MANIFESTS


@pytest.mark.parametrize("overlay", OVERLAYS)
def test_the_service_starts_with_the_settings_of_an_overlay(
    overlay: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "signing.json").write_text(json.dumps(new_key_set("ES384")))
    (tmp_path / "cookies.json").write_text(json.dumps(new_cookie_key_set()))
    settings = settings_of(overlay, monkeypatch, tmp_path)
    if settings.record_certificate is not None:
        # What a certificate must be is tested with the record's TLS; here it is enough that it is asked for.
        with pytest.raises(ValueError, match="client certificate"):
            create_app(settings)
        settings = settings.model_copy(update={"record_certificate": None, "record_certificate_key": None})

    assert create_app(settings).state.meters is not None


@pytest.mark.parametrize("overlay", OVERLAYS)
def test_an_overlay_names_no_setting_that_does_not_exist(overlay: str) -> None:
    known = {f"{PREFIX}{name.upper()}" for name in Settings.model_fields}

    assert set(literals(KUBERNETES / "overlays" / overlay / "kustomization.yaml")) <= known


def test_a_pod_has_longer_to_stop_than_its_requests_have_to_end() -> None:
    pod = read(BASE / "deployment.yaml")["spec"]["template"]["spec"]
    (container,) = pod["containers"]
    drain_s = float(literals(BASE / "kustomization.yaml")["EBBMARK_DRAIN_S"])

    assert pod["terminationGracePeriodSeconds"] > container["lifecycle"]["preStop"]["sleep"]["seconds"] + drain_s
