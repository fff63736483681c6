"""The sink that sends notifications to people."""
