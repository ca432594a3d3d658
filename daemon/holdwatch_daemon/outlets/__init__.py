"""Ways out: MQTT and webhooks."""
