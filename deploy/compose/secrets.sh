#!/bin/sh
# Makes the secrets of compose.yaml in the folder FOLDER (which must not exist yet), as root: random passwords, the signing keys, the key of second
# factors. The certificate and its key, tls_certificate and tls_key, are yours to put there, with the same rights.
#
#   deploy/compose/secrets.sh deploy/secrets [PONDERAL BINARY]
#
# Only root gets into the folder; the files in it can be read by the users of the containers that each is handed to, and by no other container.
set -eu
folder=${1:?name the folder to make}
ponderal=${2:-ponderal}
mkdir -m 0700 "$folder"
cd "$folder"
random() { od -An -N24 -tx1 /dev/urandom | tr -d ' \n'; }
for name in postgres owner replication service; do random >"${name}_password"; done
printf '*:*:ponderal:ponderal_owner:%s\n' "$(cat owner_password)" >owner_pgpass
printf '*:*:ponderal:ponderal_service:%s\n' "$(cat service_password)" >service_pgpass
"$ponderal" identity -new-key "first" >second_factor_key
"$ponderal" keys keys >keys.json
chmod 0444 ./*_password ./*_pgpass second_factor_key keys.json
chown -R 65532:65532 keys
echo "made; now put tls_certificate and tls_key there (chmod 0444), and keep a copy of keys/ and second_factor_key where you keep a seal" >&2
