#!/bin/sh
# Makes the certificates of this folder: an authority, a vehicle's certificate signed by it, and an authority that signed
# nothing. For tests alone; the keys of the authorities are thrown away.
set -eu
folder=$(mktemp -d)
for name in authority stranger; do
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 36500 -subj "/CN=$name" \
        -addext basicConstraints=critical,CA:TRUE -addext keyUsage=critical,keyCertSign \
        -keyout "$folder/$name.key" -out "$name.pem"
done
openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=vehicle" \
    -keyout vehicle.key -out "$folder/vehicle.csr"
printf 'subjectAltName=DNS:vehicle.example\nextendedKeyUsage=serverAuth\nbasicConstraints=critical,CA:FALSE\n' > "$folder/extensions"
openssl x509 -req -in "$folder/vehicle.csr" -CA authority.pem -CAkey "$folder/authority.key" -CAcreateserial \
    -CAserial "$folder/serial" -days 36500 -extfile "$folder/extensions" -out vehicle.pem
rm -r "$folder"
