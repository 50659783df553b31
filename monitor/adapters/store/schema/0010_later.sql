-- The third urgency got a plainer name.
UPDATE notice SET urgency='later' WHERE urgency='diary';
