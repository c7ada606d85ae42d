"""Systems drawn by seed, the mistakes that each can have, and a person who does what a checkup asks: the
checkup's judge."""
