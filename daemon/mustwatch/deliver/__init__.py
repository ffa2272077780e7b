"""The outbox worker and the notification library."""
