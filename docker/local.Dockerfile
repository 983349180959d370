# The service image from a program that was built on this machine (scripts/service-image).
ARG BASE
FROM ${BASE}
USER root
COPY wardbook /usr/local/bin/wardbook
RUN mkdir -p /var/lib/wardbook && chown nobody /var/lib/wardbook
USER nobody
ENTRYPOINT ["/usr/local/bin/wardbook"]
CMD []
