"""The audit of bus manners: what a sender did, held against the standard and common practice."""

from bridge.conduct.audit import Audit, audit
from bridge.conduct.finding import Finding

__all__ = ["Audit", "Finding", "audit"]
