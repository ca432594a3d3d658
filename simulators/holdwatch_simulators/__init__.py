"""A physical model of a bay and its probes, shown to the service as real devices would be."""
