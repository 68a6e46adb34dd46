from django.urls import path

from haccp.api import compliance, instruments, plans, rules, trials, verifications

HERE = "establishments/<uuid:establishment>/"
PLAN = f"{HERE}plans/<uuid:pk>"
VERSION = f"{HERE}plan-versions/<uuid:pk>"
INSTRUMENT = f"{HERE}instruments/<uuid:pk>"
VERIFICATIONS = f"{HERE}instrument-verifications"
RULE = f"{HERE}local-rules/<uuid:pk>"
RELIEFS = f"{HERE}compliance-reliefs"

urlpatterns = [
    path(f"{HERE}plans", plans.Plans.as_view(), name="plans"),
    path(f"{HERE}starter-plans", plans.StarterPlans.as_view(), name="starter-plans"),
    path(PLAN, plans.OnePlan.as_view(), name="plan"),
    path(f"{PLAN}/document.yaml", plans.DraftAsYaml.as_view(), name="plan-yaml"),
    path(f"{PLAN}/gaps", plans.PlanGaps.as_view(), name="plan-gaps"),
    path(f"{PLAN}/differences", plans.PlanDifferences.as_view(), name="plan-differences"),
    path(f"{PLAN}/versions", plans.PlanVersions.as_view(), name="plan-versions"),
    path(VERSION, plans.OnePlanVersion.as_view(), name="plan-version"),
    path(f"{VERSION}/document.yaml", plans.VersionAsYaml.as_view(), name="plan-version-yaml"),
    path(f"{HERE}local-rules", rules.LocalRules.as_view(), name="local-rules"),
    path(f"{HERE}local-rules/from-file", rules.LocalRulesFromFile.as_view(), name="local-rules-from-file"),
    path(RULE, rules.OneLocalRule.as_view(), name="local-rule"),
    path(f"{RULE}/confirmation", rules.ConfirmLocalRule.as_view(), name="local-rule-confirmation"),
    path(f"{HERE}required-parts", compliance.RequiredParts.as_view(), name="required-parts"),
    path(RELIEFS, compliance.ComplianceReliefs.as_view(), name="compliance-reliefs"),
    path(f"{RELIEFS}/withdrawn", compliance.WithdrawnReliefs.as_view(), name="compliance-reliefs-withdrawn"),
    path(f"{HERE}trials", trials.Trials.as_view(), name="trials"),
    path(f"{HERE}instruments", instruments.Instruments.as_view(), name="instruments"),
    path(f"{HERE}instruments/due", verifications.DueInstruments.as_view(), name="instruments-due"),
    path(INSTRUMENT, instruments.OneInstrument.as_view(), name="instrument"),
    path(f"{INSTRUMENT}/state", verifications.InstrumentStanding.as_view(), name="instrument-state"),
    path(VERIFICATIONS, verifications.Verifications.as_view(), name="verifications"),
    path(
        f"{VERIFICATIONS}/withdrawn",
        verifications.WithdrawnVerifications.as_view(),
        name="verifications-withdrawn",
    ),
    path(f"{VERIFICATIONS}/<uuid:pk>", verifications.OneVerification.as_view(), name="verification"),
    path(
        f"{VERIFICATIONS}/<uuid:pk>/checks", verifications.ChecksInDoubt.as_view(), name="verification-checks"
    ),
]
