"""The Kubernetes manifests: valid by Kubernetes' own schemas, and their settings start the service.

Source: the schemas in kubernetes-validate, made from the OpenAPI document of each Kubernetes release; strict refuses
fields that no release knows.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from ebbmark.keys import new_key_set
from ebbmark.settings import PREFIX, Settings
from ebbmark.web.app import create_app
from ebbmark.web.launch.seal import new_cookie_key_set

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
