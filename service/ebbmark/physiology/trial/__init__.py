"""From readings in any order to the steps of one decremental limb."""

__all__: list[str] = []
