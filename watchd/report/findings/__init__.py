"""What is well, what is not, and what to do: from the figures of the last day, the days, and the
journal. `pack` and `bank` have a list of looks each.
"""

from watchd.report.findings.bank import findings_of_bank
from watchd.report.findings.finding import Finding, Standing
from watchd.report.findings.pack import findings_of_pack

__all__ = ["Finding", "Standing", "findings_of_bank", "findings_of_pack"]
