"""The process: configuration, supervision, bus, recorder, hold runner, MQTT outbox, clock."""
