"""The shop's configuration: checked models, read from and written to shop.toml."""
