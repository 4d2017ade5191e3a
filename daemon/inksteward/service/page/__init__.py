"""The operator's page, served by the service in its own loop: anyone may look, operators who signed in decide."""
