"""The only I/O of the service: MQTT, store, clock, service manager, log."""
