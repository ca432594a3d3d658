"""Reports as files: HTML, drawings and pictures."""
