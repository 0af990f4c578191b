#!/bin/bash
# Makes a private certificate authority and one certificate for each service in the folder given, for one machine or for trying; a real plant uses its
# own authority. A service's certificate bears the service's name, which is its identity for the others. Existing files are kept.
#   deploy/tls/certificates.sh secrets
set -euo pipefail
dir=${1:?which folder}
mkdir -p "$dir"
umask 077
if [ ! -e "$dir/ca.pem" ]; then
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 3650 -subj "/CN=huskline plant" \
    -addext "basicConstraints=critical,CA:TRUE" -keyout "$dir/ca.key" -out "$dir/ca.pem" 2>/dev/null
fi
for service in intake inventory production; do
  [ -e "$dir/$service.pem" ] && continue
  openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$service" -keyout "$dir/$service.key" -out "$dir/$service.csr" 2>/dev/null
  openssl x509 -req -in "$dir/$service.csr" -CA "$dir/ca.pem" -CAkey "$dir/ca.key" -CAcreateserial -days 825 -out "$dir/$service.pem" \
    -extfile <(printf 'subjectAltName=DNS:%s,DNS:localhost\nextendedKeyUsage=serverAuth,clientAuth\nkeyUsage=digitalSignature' "$service") 2>/dev/null
  rm "$dir/$service.csr"
done
for name in postgres_admin postgres_intake postgres_inventory postgres_production nats_intake nats_inventory nats_production admin_token; do
  [ -e "$dir/$name" ] || openssl rand -hex 32 | tr -d '\n' > "$dir/$name"
done
printf 'NATS_INTAKE=%s\nNATS_INVENTORY=%s\nNATS_PRODUCTION=%s\n' "$(<"$dir/nats_intake")" "$(<"$dir/nats_inventory")" "$(<"$dir/nats_production")" > "$dir/nats.env"
echo "certificates and secrets are in $dir; keep ca.key away from the machines that serve"
