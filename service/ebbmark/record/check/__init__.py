"""Check what a record can do for this service, before anybody relies on it."""

__all__: list[str] = []
