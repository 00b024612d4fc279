"""Is this process alive, and can it answer?"""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from ebbmark import __version__

__all__ = ["router"]

router = APIRouter(prefix="/health", tags=["health"])


@router.get("/live", summary="The process runs", response_class=JSONResponse)
async def live() -> dict[str, str]:
    """Answer that the process runs."""
    return {"status": "live", "version": __version__}


@router.get("/ready", summary="The process can answer", response_class=JSONResponse)
async def ready() -> dict[str, str]:
    """Answer that requests are taken: the service needs nothing beside itself, so ready once it runs."""
    return {"status": "ready", "version": __version__}
