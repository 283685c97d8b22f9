# SPDX-License-Identifier: MIT
"""A report as a JUnit XML file, which the servers that run tests read.

The format has no standard; this is the part of it that they have in common: a suite, a case for
each check, and in it a failure, or why it was skipped.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from provision.conformance.findings import Finding, Report, Verdict

# What XML 1.0 does not admit, not even as a reference (its production 2).
_NO_CHARACTER = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit(report: Report) -> bytes:
    """Return the report as the bytes of a JUnit XML file."""
    findings = report.findings
    if not report.has_answered:
        nothing = Finding(("4.2.3",), "The board answers hello", Verdict.NOT_MET, report.board)
        findings = (nothing, *findings)
    suite = ET.Element(
        "testsuite",
        name="provision conform",
        tests=str(len(findings)),
        failures=str(_count(findings, Verdict.NOT_MET)),
        errors="0",
        skipped=str(_count(findings, Verdict.NOT_APPLICABLE)),
    )
    for finding in findings:
        suite.append(_case(finding))
    told = ET.SubElement(suite, "system-out")
    told.text = _admitted("\n".join([report.board, *report.remarks, report.settings]))
    ET.indent(suite)
    octets: bytes = ET.tostring(suite, encoding="utf-8", xml_declaration=True)
    return octets + b"\n"


def _count(findings: tuple[Finding, ...], verdict: Verdict) -> int:
    return sum(finding.verdict is verdict for finding in findings)


def _case(finding: Finding) -> ET.Element:
    case = ET.Element(
        "testcase", classname=f"clause {finding.clause}", name=_admitted(finding.title)
    )
    if finding.verdict is Verdict.NOT_APPLICABLE:
        ET.SubElement(case, "skipped", message=_admitted(finding.why))
    elif finding.verdict is Verdict.NOT_MET:
        first = next((fault.words for fault in finding.faults), finding.why)
        if finding.follows_from:
            first = f"follows from {finding.follows_from}"
        failure = ET.SubElement(case, "failure", message=_admitted(first))
        failure.text = _admitted("\n".join(finding.lines()))
    return case


def _admitted(text: str) -> str:
    return _NO_CHARACTER.sub("?", text)
