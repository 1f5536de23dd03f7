DROP TRIGGER erase_enclosed ON ponderal.result;
DROP FUNCTION ponderal.erase_enclosed();
ALTER TABLE ponderal.result DROP COLUMN enclosed_salt, DROP COLUMN enclosed;
