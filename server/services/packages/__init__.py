"""Cards that travel from site to site in a ZIP that holds a Frictionless Data Package."""
