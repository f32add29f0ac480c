"""The whole job in the browser: what waits today, new studies, plans, answers, confirmation, release and recipes."""
