"""The estimate and each logger against the trap figure, within their uncertainties."""
