"""The resource types of FHIR R4, and those that this service writes. What is of no type of R4 is not read as FHIR.

Source: FHIR R4 4.0.1, https://hl7.org/fhir/R4/resourcelist.html; held against an independent R4 model by a test.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["EVERYTHING", "RESOURCE_TYPES", "WRITTEN_TYPES", "Takes"]

# fmt: off
RESOURCE_TYPES: tuple[str, ...] = (
    "Account", "ActivityDefinition", "AdverseEvent", "AllergyIntolerance", "Appointment",
    "AppointmentResponse", "AuditEvent", "Basic", "Binary", "BiologicallyDerivedProduct", "BodyStructure",
    "Bundle", "CapabilityStatement", "CarePlan", "CareTeam", "CatalogEntry", "ChargeItem",
    "ChargeItemDefinition", "Claim", "ClaimResponse", "ClinicalImpression", "CodeSystem", "Communication",
    "CommunicationRequest", "CompartmentDefinition", "Composition", "ConceptMap", "Condition", "Consent",
    "Contract", "Coverage", "CoverageEligibilityRequest", "CoverageEligibilityResponse", "DetectedIssue",
    "Device", "DeviceDefinition", "DeviceMetric", "DeviceRequest", "DeviceUseStatement", "DiagnosticReport",
    "DocumentManifest", "DocumentReference", "EffectEvidenceSynthesis", "Encounter", "Endpoint",
    "EnrollmentRequest", "EnrollmentResponse", "EpisodeOfCare", "EventDefinition", "Evidence",
    "EvidenceVariable", "ExampleScenario", "ExplanationOfBenefit", "FamilyMemberHistory", "Flag", "Goal",
    "GraphDefinition", "Group", "GuidanceResponse", "HealthcareService", "ImagingStudy", "Immunization",
    "ImmunizationEvaluation", "ImmunizationRecommendation", "ImplementationGuide", "InsurancePlan",
    "Invoice", "Library", "Linkage", "List", "Location", "Measure", "MeasureReport", "Media", "Medication",
    "MedicationAdministration", "MedicationDispense", "MedicationKnowledge", "MedicationRequest",
    "MedicationStatement", "MedicinalProduct", "MedicinalProductAuthorization",
    "MedicinalProductContraindication", "MedicinalProductIndication", "MedicinalProductIngredient",
    "MedicinalProductInteraction", "MedicinalProductManufactured", "MedicinalProductPackaged",
    "MedicinalProductPharmaceutical", "MedicinalProductUndesirableEffect", "MessageDefinition",
    "MessageHeader", "MolecularSequence", "NamingSystem", "NutritionOrder", "Observation",
    "ObservationDefinition", "OperationDefinition", "OperationOutcome", "Organization",
    "OrganizationAffiliation", "Parameters", "Patient", "PaymentNotice", "PaymentReconciliation", "Person",
    "PlanDefinition", "Practitioner", "PractitionerRole", "Procedure", "Provenance", "Questionnaire",
    "QuestionnaireResponse", "RelatedPerson", "RequestGroup", "ResearchDefinition",
    "ResearchElementDefinition", "ResearchStudy", "ResearchSubject", "RiskAssessment",
    "RiskEvidenceSynthesis", "Schedule", "SearchParameter", "ServiceRequest", "Slot", "Specimen",
    "SpecimenDefinition", "StructureDefinition", "StructureMap", "Subscription", "Substance",
    "SubstanceNucleicAcid", "SubstancePolymer", "SubstanceProtein", "SubstanceReferenceInformation",
    "SubstanceSourceMaterial", "SubstanceSpecification", "SupplyDelivery", "SupplyRequest", "Task",
    "TerminologyCapabilities", "TestReport", "TestScript", "ValueSet", "VerificationResult",
    "VisionPrescription",
)
# fmt: on

WRITTEN_TYPES = (
    "Device",
    "Observation",
    "GuidanceResponse",
    "DetectedIssue",
    "DiagnosticReport",
    "Provenance",
    "List",
    "CarePlan",
    "RequestGroup",
    "DeviceRequest",
)
"""Resource types that this service writes."""


@dataclass(frozen=True, slots=True)
class Takes:
    """What a record takes of what this service writes.

    Attributes:
        types: resource types.
        most_creates: most conditional creates in one transaction; None for no such limit.
    """

    types: frozenset[str] = frozenset(WRITTEN_TYPES)
    most_creates: int | None = None

    @property
    def carries_changes(self) -> bool:
        """Whether the Provenance over a change of stored results goes into one of them."""
        return "Provenance" not in self.types or self.most_creates is not None

    @property
    def everything(self) -> bool:
        """Whether nothing has to be carried inside something else."""
        return self == EVERYTHING


EVERYTHING = Takes()
"""A record that takes all of it."""
