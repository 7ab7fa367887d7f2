#!/usr/bin/env bash
# Makes the passwords of the compose file, once. Keeps what is there. Needs docker (for mosquitto_passwd).
set -euo pipefail
cd "$(dirname "$0")"
umask 077
mkdir -p secrets

secret() { [ -s "secrets/$1" ] || head -c 24 /dev/urandom | base64 | tr -d '\n+/=' >"secrets/$1"; }

secret database_password
secret owner_password
secret writer_password
secret broker_password
secret reader_password
secret grafana_password

if [ ! -s secrets/mosquitto.passwd ]; then
    hash_passwords() {
        if command -v mosquitto_passwd >/dev/null; then
            mosquitto_passwd -U secrets/mosquitto.passwd
        else
            docker run --rm -v "$PWD/secrets:/secrets" eclipse-mosquitto:2 mosquitto_passwd -U /secrets/mosquitto.passwd
        fi
    }
    printf 'hissmark:%s\n' "$(cat secrets/broker_password)" >secrets/mosquitto.passwd
    hash_passwords
fi
# Compose mounts the files one by one, as they are, and their readers in the containers have other user ids: the files
# are readable, the folder around them is not.
chmod 0644 secrets/*
chmod 0700 secrets
echo "Passwords are in docker/secrets. Add a gateway with: mosquitto_passwd docker/secrets/mosquitto.passwd NAME"
