"""Carries a plan out, block by block, with every repair counted."""
