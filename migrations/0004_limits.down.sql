DROP FUNCTION ponderal.end_attempt(bytea, bytea, bytea, timestamptz, boolean, integer, bigint);
DROP FUNCTION ponderal.begin_attempt(bytea, bytea, bytea, timestamptz, integer, integer, bigint, bigint, bigint);
DROP FUNCTION ponderal.take(bytea, timestamptz, integer, integer, integer, bigint);
DROP TABLE ponderal.sign_in_attempt;
DROP TABLE ponderal.allowance;
