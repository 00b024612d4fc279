"""What was P/F in one stretch of time: each gas with the FiO2 that was breathed when it was drawn?

Source: Berlin definition, JAMA 2012;307:2526-33, for the ratio; how a gas finds its FiO2, see `in_force`.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from ebbmark.physiology.after.figures import Figure, NotKnown
from ebbmark.physiology.formulas.gas_doubts import doubt_of
from ebbmark.physiology.formulas.gas_exchange import pf_ratio_mmhg
from ebbmark.physiology.readings import Quantity, Reading
from ebbmark.physiology.timeline import SETTLES_S, breathed_at

__all__ = ["pf_figure"]


def pf_figure(readings: Sequence[Reading], from_s: float, until_s: float) -> Figure:
    """The middle P/F of the gases of a stretch of time [mmHg].

    Args:
        readings: of one patient, in any order; FiO2 may lie before the stretch.
        from_s: start of the stretch, included [s since 1970-01-01T00:00:00Z].
        until_s: its end, included [s since 1970-01-01T00:00:00Z].

    Raises:
        NotKnown: no gas of that time can be used; the text says why.

    Source: see the module.
    """
    gases = [one for one in readings if one.quantity is Quantity.PAO2 and from_s <= one.at_s <= until_s]
    if not gases:
        raise NotKnown("no PaO2 was sent for that time")
    ratios: list[float] = []
    sources: set[int] = set()
    why_not = ""
    for gas in gases:
        doubt = doubt_of(readings, gas)
        if doubt is not None:
            why_not = doubt.sentence.rstrip(".?")
            continue
        fio2 = breathed_at(readings, gas.start_s)
        if fio2.reading is None:
            why_not = (
                f"no gas was drawn {SETTLES_S / 60:g} min or more after FiO2 was changed ({fio2.why_not})"
                if fio2.unsettled
                else f"FiO2 at the time of the gas is not known ({fio2.why_not})"
            )
            continue
        ratios.append(pf_ratio_mmhg(pao2_mmhg=gas.value, fio2=fio2.reading.value))
        sources |= {gas.source, fio2.reading.source}
    if not ratios:
        raise NotKnown(why_not)
    return Figure(median(ratios), len(ratios), tuple(sorted(sources)))
