"""Which codes of Conditions stand for which of our risk concepts? One table: SNOMED CT by code, ICD-10 by prefix.

The last column names where code and meaning were seen together: PUB: in at least two independent public repositories;
PUB1: in one; CREDS: value set CardiacInstabilityType of the HL7 implementation guide CREDS 1.0.0 (registry protocols),
MCODE: value set elixhauser-obesity-vs of
the HL7 implementation guide mCODE 2.1.0; CREDS+: there and in value set ReasonForBallonUsageVS of cardioCx-IG, expanded on SNOMED CT 2024-02-01; GM: in two
public texts on the German and Swiss ICD-10-GM; ICD: the title of the ICD-10 category, from memory of the printed
classification, which is the same in the editions named. SNOMED CT codes are listed one by one: without a terminology server their descendants are not known,
so that a site adds the ones it uses. A concept for which no code was sure has none, and a site may add its own: bullae
(ICD-10-CM keeps bullous emphysema under J43.9 together with every other unspecified one; ICD-9-CM 492.0 is specific,
and would only seem to look for them in records of today), drained barotrauma, sternotomy, breathing efforts.

A code says less than a record: whether a pneumothorax is drained or a lung was operated on recently it does not say.
What a code leaves open is written beside it.
"""

# ruff: noqa: E501
from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from ebbmark.fhir.naming import SNOMED

__all__ = [
    "ALL_ICD",
    "CONDITION_ROWS",
    "ICD10",
    "ICD10_CM",
    "ICD10_GM",
    "LEFT_OPEN",
    "NO_RISK",
    "PERHAPS",
    "READ_IN",
    "ConditionRow",
]

ICD10 = "http://hl7.org/fhir/sid/icd-10"
ICD10_CM = "http://hl7.org/fhir/sid/icd-10-cm"
ICD10_GM = "http://fhir.de/CodeSystem/bfarm/icd-10-gm"
_GM_BEFORE = "http://fhir.de/CodeSystem/dimdi/icd-10-gm"
ICD10_PCS = ("http://www.cms.gov/Medicare/Coding/ICD10", "http://hl7.org/fhir/sid/icd-10-pcs")
"""As HL7 Terminology and as US records name it: codes of Procedures."""
ALL_ICD = (ICD10, ICD10_CM, ICD10_GM, _GM_BEFORE)
_GM = (ICD10_GM, _GM_BEFORE)
_CM = (ICD10_CM,)

NO_RISK = "no-risk"
"""Not a condition that is looked for: codes that are known to stand for something else."""


PERHAPS = "perhaps"
"""Not a condition that is looked for: codes that leave open whether it is one."""


class ConditionRow(NamedTuple):
    """One code, or all codes that begin with it.

    Attributes:
        concept: slug of the risk concept.
        systems: code systems in which it means this.
        code: as in Coding.code.
        prefix: whether longer codes that begin with it count, too.
        display: what the code means.
        source: where that was seen (keys above), or whose file it is from.
    """

    concept: str
    systems: tuple[str, ...]
    code: str
    prefix: bool
    display: str
    source: str


def _sct(concept: str, code: str, display: str, source: str = "PUB") -> ConditionRow:
    return ConditionRow(concept, (SNOMED,), code, False, display, source)


def _icd(concept: str, code: str, display: str, systems: tuple[str, ...] = ALL_ICD) -> ConditionRow:
    return ConditionRow(concept, systems, code, True, display, "ICD")


def _perhaps(code: str, display: str, systems: tuple[str, ...] = ALL_ICD) -> ConditionRow:
    return ConditionRow(PERHAPS, systems, code, True, display, "ICD")


# fmt: off
CONDITION_ROWS: tuple[ConditionRow, ...] = (
    _sct("untreated-pneumothorax", "36118008", "Pneumothorax"),
    _sct("untreated-pneumothorax", "233645004", "Tension pneumothorax"),
    ConditionRow("untreated-pneumothorax", ALL_ICD, "J93", False, "Pneumothorax (the category, no further digit)", "ICD"),
    _icd("untreated-pneumothorax", "J93.0", "Spontaneous tension pneumothorax"),
    _icd("untreated-pneumothorax", "J93.1", "Other spontaneous pneumothorax"),
    _icd("untreated-pneumothorax", "J93.8", "Other pneumothorax", (ICD10, *_GM)),
    _icd("untreated-pneumothorax", "J93.81", "Chronic pneumothorax", _CM),
    _icd("untreated-pneumothorax", "J93.83", "Other pneumothorax", _CM),
    _icd("untreated-pneumothorax", "J93.9", "Pneumothorax, unspecified"),
    _icd("untreated-pneumothorax", "J95.811", "Postprocedural pneumothorax", _CM),
    ConditionRow("untreated-pneumothorax", _GM, "J95.80", False, "Iatrogenic pneumothorax", "GM"),
    _icd("untreated-pneumothorax", "S27.0", "Traumatic pneumothorax"),
    _icd("untreated-pneumothorax", "S27.2", "Traumatic haemopneumothorax"),
    _icd("air-leak", "J86.0", "Pyothorax with fistula"),
    _icd("air-leak", "J98.2", "Interstitial emphysema, mediastinal emphysema"),
    _icd("air-leak", "J93.82", "Other air leak", _CM),
    _icd("air-leak", "T79.7", "Traumatic subcutaneous emphysema"),
    _sct("air-leak", "16838000", "Pneumomediastinum", "PUB1"),
    _icd("air-leak", "J95.812", "Postprocedural air leak", _CM),
    _sct("shock", "27942005", "Shock"),
    _sct("shock", "89138009", "Cardiogenic shock"),
    _sct("shock", "76571007", "Septic shock"),
    _sct("shock", "39419009", "Hypovolaemic shock"),
    _sct("shock", "276227005", "Refractory shock", "CREDS"),
    _icd("shock", "R57", "Shock, not elsewhere classified"),
    _icd("shock", "R65.21", "Severe sepsis with septic shock", _CM),
    _icd("shock", "T79.4", "Traumatic shock"),
    _icd("shock", "A48.3", "Toxic shock syndrome"),
    _icd("shock", "T78.2", "Anaphylactic shock, unspecified"),
    _icd("shock", "T81.1", "Shock during or resulting from a procedure"),
    _icd("shock", "T88.6", "Anaphylactic shock due to adverse effect of a drug"),
    _icd("shock", "O75.1", "Shock during or following labour and delivery"),
    _icd("shock", "E86", "Volume depletion", (ICD10, *_GM)),
    _icd("shock", "E86.1", "Hypovolaemia", _CM),
    _sct("haemodynamic-instability", "422773005", "Hemodynamic instability", "CREDS+"),
    _sct("raised-intracranial-pressure", "271719001", "Raised intracranial pressure", "PUB1"),
    _icd("raised-intracranial-pressure", "G93.2", "Benign intracranial hypertension"),
    _icd("raised-intracranial-pressure", "G93.5", "Compression of brain"),
    _icd("raised-intracranial-pressure", "G93.6", "Cerebral oedema"),
    _icd("raised-intracranial-pressure", "S06.1", "Traumatic cerebral oedema"),
    _sct("right-heart-failure", "367363000", "Right ventricular failure"),
    _sct("right-heart-failure", "70995007", "Pulmonary hypertension"),
    _icd("right-heart-failure", "I26.0", "Pulmonary embolism with mention of acute cor pulmonale"),
    _icd("right-heart-failure", "I27.0", "Primary pulmonary hypertension"),
    _icd("right-heart-failure", "I27.2", "Other secondary pulmonary hypertension"),
    _icd("right-heart-failure", "I27.81", "Cor pulmonale (chronic)", _CM),
    _icd("right-heart-failure", "I27.9", "Pulmonary heart disease, unspecified"),
    _icd("right-heart-failure", "I50.81", "Right heart failure", _CM),
    _icd("right-heart-failure", "I50.0", "Right heart failure (Rechtsherzinsuffizienz)", _GM),
    _sct("obstructive-disease", "87433001", "Pulmonary emphysema"),
    _sct("obstructive-disease", "13645005", "Chronic obstructive pulmonary disease"),
    _icd("obstructive-disease", "J43", "Emphysema"),
    _icd("obstructive-disease", "J44", "Other chronic obstructive pulmonary disease"),
    _icd("obstructive-disease", "J46", "Status asthmaticus", (ICD10, *_GM)),
    _icd("obstructive-disease", "J45.22", "Mild intermittent asthma with status asthmaticus", _CM),
    _icd("obstructive-disease", "J45.32", "Mild persistent asthma with status asthmaticus", _CM),
    _icd("obstructive-disease", "J45.42", "Moderate persistent asthma with status asthmaticus", _CM),
    _icd("obstructive-disease", "J45.52", "Severe persistent asthma with status asthmaticus", _CM),
    _icd("obstructive-disease", "J45.902", "Unspecified asthma with status asthmaticus", _CM),
    _sct("severe-cardiac-disease", "57054005", "Acute myocardial infarction"),
    _sct("severe-cardiac-disease", "394659003", "Acute coronary syndrome"),
    _sct("severe-cardiac-disease", "25569003", "Ventricular tachycardia"),
    _sct("severe-cardiac-disease", "71908006", "Ventricular fibrillation"),
    _icd("severe-cardiac-disease", "I20.0", "Unstable angina"),
    _icd("severe-cardiac-disease", "I21", "Acute myocardial infarction"),
    _icd("severe-cardiac-disease", "I22", "Subsequent myocardial infarction"),
    _icd("severe-cardiac-disease", "I24", "Other acute ischaemic heart diseases"),
    _icd("severe-cardiac-disease", "I46", "Cardiac arrest"),
    _icd("severe-cardiac-disease", "I47.2", "Ventricular tachycardia"),
    _icd("severe-cardiac-disease", "I49.0", "Ventricular fibrillation and flutter"),
    _icd("severe-cardiac-disease", "I50.13", "Left heart failure with symptoms on slight exertion", _GM),
    _icd("severe-cardiac-disease", "I50.14", "Left heart failure with symptoms at rest", _GM),
    _icd("recent-lung-surgery", "Z90.2", "Acquired absence of lung [part of]"),
    _sct("unilateral-disease", "278516003", "Lobar pneumonia"),
    _icd("unilateral-disease", "J18.1", "Lobar pneumonia, unspecified"),
    _sct("late-or-fibrotic-ards", "51615001", "Fibrosis of lung"),
    _icd("late-or-fibrotic-ards", "J84.1", "Other interstitial pulmonary diseases with fibrosis"),
    _icd("penetrating-chest-trauma", "S21.3", "Open wound of front wall of thorax with penetration into the thoracic cavity", _CM),
    _icd("penetrating-chest-trauma", "S21.4", "Open wound of back wall of thorax with penetration into the thoracic cavity", _CM),
    _sct("pregnancy", "77386006", "Pregnancy"),
    _icd("pregnancy", "Z33", "Pregnant state"),
    _icd("pregnancy", "Z34", "Supervision of normal pregnancy"),
    _icd("pregnancy", "Z35", "Supervision of high-risk pregnancy", (ICD10, *_GM)),
    _icd("pregnancy", "O09", "Supervision of high-risk pregnancy", _CM),
    _icd("pregnancy", "Z3A", "Weeks of gestation", _CM),
    *[_icd("pregnancy", f"O{number}", "Complication of pregnancy, labour and delivery") for number in (*range(10, 17), *range(20, 49), *range(60, 76), 98, 99)],
    _sct("sickle-cell-disease", "417357006", "Sickling disorder due to haemoglobin S"),
    _icd("sickle-cell-disease", "D57.0", "Sickle-cell anaemia with crisis"),
    _icd("sickle-cell-disease", "D57.1", "Sickle-cell anaemia without crisis"),
    _icd("sickle-cell-disease", "D57.2", "Double heterozygous sickling disorders"),
    _icd("sickle-cell-disease", "D57.8", "Other sickle-cell disorders"),
    _sct("neuromuscular-disease", "91637004", "Myasthenia gravis"),
    _sct("neuromuscular-disease", "86044005", "Amyotrophic lateral sclerosis"),
    _sct("neuromuscular-disease", "40956001", "Guillain-Barré syndrome"),
    _icd("neuromuscular-disease", "G12", "Spinal muscular atrophy and related syndromes"),
    _icd("neuromuscular-disease", "G61.0", "Guillain-Barré syndrome"),
    _icd("neuromuscular-disease", "G70", "Myasthenia gravis and other myoneural disorders"),
    _icd("neuromuscular-disease", "G71", "Primary disorders of muscles"),
    _sct("obesity", "414916001", "Obesity"),
    _sct("obesity", "238136002", "Morbid obesity"),
    *[ConditionRow("obesity", _CM, code, True, title, "MCODE") for code, title in (
        ("E66.01", "Morbid (severe) obesity due to excess calories"),
        ("E66.09", "Other obesity due to excess calories"),
        ("E66.1", "Drug-induced obesity"),
        ("E66.2", "Morbid (severe) obesity with alveolar hypoventilation"),
        ("E66.8", "Other obesity"),
        ("E66.9", "Obesity, unspecified"),
    )],
    _icd("obesity", "E66", "Obesity", (ICD10, *_GM)),
    ConditionRow("obesity", _CM, "E66", False, "Overweight and obesity (the category, no further digit)", "ICD"),
    ConditionRow("obesity", _CM, "E66.0", False, "Obesity due to excess calories (no further digit)", "ICD"),
    ConditionRow("raised-abdominal-pressure", _CM, "M79.A3", True, "Nontraumatic compartment syndrome of abdomen", "PUB"),
    ConditionRow("raised-abdominal-pressure", _CM, "T79.A3", True, "Traumatic compartment syndrome of abdomen", "PUB"),
    _sct("extracorporeal-support", "233573008", "Extracorporeal membrane oxygenation"),
    _sct("extracorporeal-support", "786453001", "Venovenous extracorporeal membrane oxygenation"),
    _sct("extracorporeal-support", "786451004", "Venoarterial extracorporeal membrane oxygenation"),
    *[ConditionRow("extracorporeal-support", ICD10_PCS, code, False, f"Extracorporeal oxygenation, membrane, {how}", "PUB") for code, how in (
        ("5A1522F", "central"), ("5A1522G", "peripheral veno-arterial"), ("5A1522H", "peripheral veno-venous"),
    )],
    # Categories that hold a condition that is looked for among others: a person must read what is meant.
    _perhaps("J94.2", "Haemothorax: with or without air"),
    _perhaps("J94.8", "Other specified pleural conditions, hydropneumothorax among them"),
    _perhaps("J95.8", "Other postprocedural respiratory disorders, pneumothorax among them", (ICD10,)),
    _perhaps("J95.88", "Other respiratory disorders after procedures", _GM),
    _perhaps("J98.4", "Other disorders of lung, cysts among them"),
    _perhaps("J98.8", "Other specified respiratory disorders"),
    _perhaps("J98.9", "Respiratory disorder, unspecified"),
    _perhaps("Q33.0", "Congenital cystic lung"),
    _perhaps("I31.8", "Other specified diseases of pericardium, air in it among them"),
    _perhaps("I50.0", "Congestive heart failure, right ventricular failure among it", (ICD10,)),
    _perhaps("I50.9", "Heart failure, unspecified"),
    _perhaps("I27.8", "Other specified pulmonary heart diseases"),
    _perhaps("I95", "Hypotension: how unstable it does not say"),
    _perhaps("G91", "Hydrocephalus: pressure it does not say"),
    _perhaps("I60", "Subarachnoid haemorrhage: intracranial pressure it does not say"),
    _perhaps("I61", "Intracerebral haemorrhage: intracranial pressure it does not say"),
    _perhaps("I62", "Other intracranial haemorrhage: intracranial pressure it does not say"),
    *[_perhaps(f"S06.{number}", "Intracranial injury: intracranial pressure it does not say") for number in range(2, 10)],
    _perhaps("S21", "Open wound of thorax: how deep it does not say", (ICD10, *_GM)),
    _perhaps("S27.1", "Traumatic haemothorax: with or without air"),
    _perhaps("T81.8", "Other complications of procedures, emphysema among them"),
    _sct(NO_RISK, "233604007", "Pneumonia"),
    _sct(NO_RISK, "422588002", "Aspiration pneumonia"),
    _sct(NO_RISK, "67782005", "Acute respiratory distress syndrome"),
    _sct(NO_RISK, "65710008", "Acute respiratory failure"),
    _sct(NO_RISK, "840539006", "COVID-19"),
    _sct(NO_RISK, "91302008", "Sepsis"),
    _sct(NO_RISK, "14669001", "Acute kidney injury"),
    _sct(NO_RISK, "709044004", "Chronic kidney disease"),
    _sct(NO_RISK, "73211009", "Diabetes mellitus"),
    _sct(NO_RISK, "44054006", "Diabetes mellitus type 2"),
    _sct(NO_RISK, "38341003", "Hypertensive disorder"),
    _sct(NO_RISK, "59621000", "Essential hypertension"),
)
# fmt: on

LEFT_OPEN: Mapping[str, str] = {
    "untreated-pneumothorax": "No code here says whether it is drained; one that is active counts as untreated until "
    "the record says otherwise.",
    "shock": "The codes do not say whether it has been corrected; one that is active counts.",
    "haemodynamic-instability": "The code does not say whether it persists; one that is active counts.",
    "raised-intracranial-pressure": "Codes of oedema and compression do not say that pressure was measured; all count.",
    "right-heart-failure": "Codes of pulmonary hypertension do not say how severe it is; all count.",
    "recent-lung-surgery": "The code does not say how long ago; it counts.",
    "pregnancy": "Codes of complications do not say whether the pregnancy goes on; all count.",
    "obstructive-disease": "The codes do not say how severe it is, and those of emphysema not whether there are bullae; "
    "all count.",
    "late-or-fibrotic-ards": "The codes do not say whether the fibrosis is part of ARDS; all count.",
}
"""What the codes of a concept leave open, and how that is read."""

READ_IN: Mapping[str, str] = {
    "PUB": "in at least two independent public repositories",
    "PUB1": "in one public repository",
    "CREDS": "in value set CardiacInstabilityType of the HL7 implementation guide CREDS 1.0.0",
    "CREDS+": "in value set CardiacInstabilityType of the HL7 implementation guide CREDS 1.0.0 and in value set "
    "ReasonForBallonUsageVS of cardioCx-IG",
    "MCODE": "in value set elixhauser-obesity-vs of the HL7 implementation guide mCODE 2.1.0",
    "GM": "in two public texts on the German and Swiss ICD-10-GM",
    "ICD": "as titles of ICD-10 categories, from memory of the printed classification and not read in a source",
}
"""Where code and meaning were seen together, in words, by the key of the source."""
