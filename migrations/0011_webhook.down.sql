DROP SCHEMA ponderal_queue CASCADE;
DROP FUNCTION ponderal.has_webhook(uuid);
DROP TABLE ponderal.webhook;
