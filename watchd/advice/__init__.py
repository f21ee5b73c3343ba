"""Figures -> advice. It advises only, and never above what the packs' own limits allow."""
