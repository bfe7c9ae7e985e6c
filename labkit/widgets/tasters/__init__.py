"""The tasters' page on their phones: server, gate, kernel, links."""
