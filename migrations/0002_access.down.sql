-- Of a token that was rotated and then revoked two revisions stand, so that the index of 0001 could not be made again as it was.
DROP INDEX ponderal.token_revocation_by_id;
CREATE UNIQUE INDEX token_revocation_by_id ON ponderal.token_revocation (id) WHERE revision = 1;
DROP INDEX ponderal.token_by_identity;
DROP TABLE ponderal.spent_proof, ponderal.setup_code, ponderal.second_factor, ponderal.password, ponderal.identity;
