"""Commands over the page: forms, who may send them, and their way into the inbox."""
