"""mustsim: makes believable cellars and publishes their sensors over MQTT, with the truth beside them."""
