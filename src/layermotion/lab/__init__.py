"""Owns a laboratory's own data: consent, import, labels, builds, judging and promoting weights."""
