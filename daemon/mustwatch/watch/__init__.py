"""The watch: readings in, estimates, forecasts and findings out. Pure and in event time."""
