"""The tasters' page on their phones: server, gate, seats, links."""
