"""The audit of bus manners: what a sender did, held against the standard and common practice."""

from bridge.audit.audit import Audit, audit
from bridge.audit.finding import Finding

__all__ = ["Audit", "Finding", "audit"]
