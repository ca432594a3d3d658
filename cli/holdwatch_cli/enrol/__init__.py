"""The command enrol: a probe gets its name, figures and role."""
