"""MQTT client, payload decoders, and the quarantine of what cannot be read."""
