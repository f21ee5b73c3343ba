"""How far the telemetry can be believed."""
