"""Rules that weigh estimates into causes: `diagnose` for one log, `diagnose_pack` for all logs of a pack."""

from bmslogs.findings.diagnose import METHOD, diagnose
from bmslogs.findings.whole_pack import diagnose_pack

__all__ = ["METHOD", "diagnose", "diagnose_pack"]
