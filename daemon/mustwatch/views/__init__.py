"""What commands, messages and pages show: documents assembled from the store by one set of rules."""
