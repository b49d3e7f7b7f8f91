"""The audit of bus manners: what a sender did, held against the standard and common practice."""

from bridge.conduct.audit import audit
from bridge.conduct.finding import Finding

__all__ = ["Finding", "audit"]
