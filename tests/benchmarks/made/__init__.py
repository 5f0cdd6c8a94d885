"""Made-up runs with a known truth: a simulated bench that shares no model with the analysis."""
