"""The story of a unit under test: the visits, their weights and findings, and what follows."""
