"""What does published work say about the practice that this engine reads, and how closely was it read?

The engine analyses a trial that a clinician chose to run. Whoever acts on the answer should see, beside it, what
trials and guidelines found. Nothing here asks anyone to perform a manoeuvre.

Status says how far a line was traced: `VERIFIED` in the work's own abstract or text, `VERIFIED_SECOND_HAND` in a
textbook, a summary or another paper. Anything only remembered is left out.

Where the lines were seen:
- ART: trial summary at journaljams.org; the percentages also follow from its counts, 277/501 and 251/509.
- PHARLAP: abstract in the record at researchnow.flinders.edu.au; rhythm in a news report of the paper. The abstract
  prints 24.6 % beside 14/56, which would be 25.0 %: 14/57 gives 24.6 %.
- Dianti 2022: abstract in the record at research.monash.edu.
- ATS 2024: abstract, PMID 38032683.
- ESICM 2023: the paper's identity at link.springer.com; its recommendation in two public documents quoting it.
- Pilbeam: Cairo, Pilbeam's Mechanical Ventilation, long stretches of chapters 1 and 13.
- Garnero 2015, and the methods table of Cochrane review CD009098: abstract, table.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

__all__ = ["EVIDENCE", "EvidenceLine", "EvidenceStatus", "evidence_for"]


class EvidenceStatus(Enum):
    """How far a line was traced."""

    VERIFIED = "verified"
    VERIFIED_SECOND_HAND = "verified-second-hand"
    COMMON_PRACTICE = "common-practice"  # no published source


@dataclass(frozen=True, slots=True)
class EvidenceLine:
    """One thing worth knowing beside an answer.

    Attributes:
        slug: stable name.
        text: at most two plain sentences.
        citation: the work that says so.
        status: how far it was traced.
    """

    slug: str
    text: str
    citation: str
    status: EvidenceStatus


_READ = EvidenceStatus.VERIFIED
_SECOND_HAND = EvidenceStatus.VERIFIED_SECOND_HAND

EVIDENCE: Final[tuple[EvidenceLine, ...]] = (
    EvidenceLine(
        "guideline-ats-2024",
        "The American Thoracic Society recommends against prolonged lung recruitment manoeuvres in moderate to "
        "severe ARDS (strong recommendation, moderate certainty). It suggests higher PEEP without recruitment "
        "manoeuvres over lower PEEP (conditional, low to moderate certainty).",
        "American Thoracic Society guideline update, Am J Respir Crit Care Med 2024;209:24-36, "
        "doi 10.1164/rccm.202311-2011ST",
        _READ,
    ),
    EvidenceLine(
        "guideline-esicm-2023",
        "The European Society of Intensive Care Medicine strongly recommends against prolonged high-pressure "
        "recruitment, meaning an airway pressure of 35 cmH2O or more for one minute or longer. We read stepwise "
        "manoeuvres beyond that pressure as included; the guideline itself should be consulted.",
        "Grasselli et al, Intensive Care Med 2023;49:727-59, doi 10.1007/s00134-023-07050-7",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "trial-art-mortality",
        "In ART (1,010 patients), stepwise recruitment with PEEP titrated by compliance was followed by more deaths "
        "within 28 days than low PEEP: 55.3 % against 49.3 %, hazard ratio 1.20 (95 % confidence interval 1.01 to "
        "1.42).",
        "ART investigators, JAMA 2017;318:1335-45, doi 10.1001/jama.2017.14171",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "trial-art-barotrauma",
        "In ART, barotrauma followed in 5.6 % with recruitment and titrated PEEP against 1.6 % with low PEEP. "
        "A pneumothorax needed drainage in 3.2 % against 1.2 %.",
        "ART investigators, JAMA 2017;318:1335-45, doi 10.1001/jama.2017.14171",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "trial-pharlap",
        "PHARLAP, stopped after ART at 115 of 340 planned patients, found no difference between maximal recruitment "
        "and protective ventilation in ventilator-free days (median 16 against 14.5) or in deaths within 28 days "
        "(24.6 % against 26.8 %).",
        "Hodgson et al, Am J Respir Crit Care Med 2019;200:1363-72, doi 10.1164/rccm.201901-0109OC",
        _READ,
    ),
    EvidenceLine(
        "trial-pharlap-rhythm",
        "In PHARLAP, a new cardiac arrhythmia appeared in 29 % with maximal recruitment against 13 % without.",
        "Hodgson et al, Am J Respir Crit Care Med 2019;200:1363-72, doi 10.1164/rccm.201901-0109OC",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "meta-analysis-dianti-2022",
        "Over 18 trials (4,646 patients), higher PEEP with prolonged recruitment carried a risk ratio of death of "
        "1.37 (95 % credible interval 1.04 to 1.81) against higher PEEP without recruitment. Against lower PEEP, "
        "higher PEEP without recruitment carried 0.77 (0.60 to 0.96).",
        "Dianti et al, Am J Respir Crit Care Med 2022;205:1300-10",
        _READ,
    ),
    EvidenceLine(
        "no-trial-of-this-definition",
        "No published trial was found that defines closing by a per cent fall of compliance. Those found go by "
        "oxygenation, or take the PEEP of best compliance.",
        "Own reading of decremental trials, among them the methods table of Santa Cruz et al, "
        "Cochrane review CD009098, 2021",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "compliance-and-oxygenation-disagree",
        "The PEEP of best compliance and the PEEP of best oxygenation can differ within one patient, and arterial "
        "pressure can fall while oxygenation still improves. No single marker decides.",
        "Published PEEP studies tabulated in Pilbeam's Mechanical Ventilation, chapter 13",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "passive-patient",
        "Plateau pressure and compliance hold for a passive patient only. Any effort of the patient's own makes "
        "them wrong.",
        "Pilbeam's Mechanical Ventilation, chapter 1",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "intrinsic-peep",
        "Intrinsic PEEP belongs into total PEEP. Where it was not measured, compliance may read too low.",
        "Pilbeam's Mechanical Ventilation, chapter 13",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "chest-wall",
        "With a stiff chest wall (obesity, raised abdominal pressure, ascites, prone position), airway pressure "
        "overstates the stress on the lung. Limits of plateau and driving pressure then mean something else.",
        "Pilbeam's Mechanical Ventilation, chapter 13",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "lung-volume-falls-within-breaths",
        "When PEEP comes down, lung volume follows within breaths: in 26 patients 95 % of the slow part was gone "
        "after 8 breaths (interquartile range 2 to 15).",
        "Garnero et al, Crit Care 2015;19:340 (abstract)",
        _READ,
    ),
    EvidenceLine(
        "after-disconnection",
        "After any loss of PEEP (disconnection, leak, open suction) this answer no longer describes the lung. "
        "It would have to be measured again, by whoever decides that this is worth its risk.",
        "Pilbeam's Mechanical Ventilation, chapter 13; common practice",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "driving-pressure-association",
        "Driving pressure goes with survival in pooled trial data. That is an association: no adequately powered "
        "trial has shown that keeping it below a limit helps.",
        "Amato et al, N Engl J Med 2015;372:747-55, doi 10.1056/NEJMsa1410639",
        _SECOND_HAND,
    ),
    EvidenceLine(
        "mechanical-power-association",
        "Above 17 J/min the odds of death in hospital were higher (odds ratio 1.70, 95 % confidence interval 1.32 "
        "to 2.18) among 8,207 patients. That is an association: no trial has tested a limit of mechanical power.",
        "Serpa Neto et al, Intensive Care Med 2018;44:1914-22",
        _SECOND_HAND,
    ),
)
"""In the order in which they would be shown: guidelines, trials, meta-analysis, what to know of the method."""

_BY_SLUG: Final = {line.slug: line for line in EVIDENCE}


def evidence_for(slug: str) -> EvidenceLine:
    """Find one line by its name.

    Args:
        slug: stable name of the line.

    Returns:
        The line.

    Raises:
        KeyError: there is no such line; a mistake in our own code.
    """
    return _BY_SLUG[slug]
