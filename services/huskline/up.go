package main

import (
	"fmt"
	"log/slog"
	"os"

	"huskline/internal/telemetry"
	"huskline/services/huskline/internal/launch"
)

type upCmd struct {
	GRPC     string `name:"grpc" help:"Address of the gRPC door; port 0 takes a free one." default:"127.0.0.1:0" placeholder:"ADDR"`
	HTTP     string `name:"http" help:"Address of the JSON door." default:"127.0.0.1:0" placeholder:"ADDR"`
	MQTT     string `name:"mqtt" help:"Address where devices publish readings by MQTT 3.1.1, such as 127.0.0.1:1883; none unless given. A device's password is a token with the role weigh-post." placeholder:"ADDR"`
	MQTTCert string `name:"mqtt-cert" type:"path" help:"Certificate of the MQTT listener; without one it has no TLS." placeholder:"FILE"`
	MQTTKey  string `name:"mqtt-key" type:"path" help:"Key of that certificate." placeholder:"FILE"`
	MQTTCA   string `name:"mqtt-ca" type:"path" help:"Who signs devices' certificates: one that a device has is then verified; none is asked for." placeholder:"FILE"`
	LogLevel string `help:"debug, info, warn or error." default:"warn" enum:"debug,info,warn,error" env:"HUSKLINE_LOG"`
	Traces   string `help:"OTLP endpoint for traces; empty: none." env:"HUSKLINE_TRACES" placeholder:"ADDR"`
}

// Run serves until SIGTERM or ctrl-C, then stops cleanly.
func (c *upCmd) Run(s *session) error {
	if s.cli.Data == "" {
		return usageError{fmt.Errorf("up: --data DIR names the folder that keeps everything")}
	}
	if c.MQTT == "" && c.MQTTCert+c.MQTTKey+c.MQTTCA != "" {
		return usageError{fmt.Errorf("up: --mqtt-cert, --mqtt-key and --mqtt-ca go with --mqtt")}
	}
	plant, err := launch.Start(s.ctx, launch.PlantConfig{
		Dir: s.cli.Data, GRPC: c.GRPC, HTTP: c.HTTP, MQTT: launch.DevicesConfig{Addr: c.MQTT, Cert: c.MQTTCert, Key: c.MQTTKey, CA: c.MQTTCA}, Now: s.now, Logger: s.logger(c.LogLevel), Endpoint: c.Traces,
	})
	if err != nil {
		return err
	}
	if plant.Endpoint.MQTT != "" {
		fmt.Fprintf(s.out, "mqtt=%s\n", plant.Endpoint.MQTT)
	}
	fmt.Fprintf(s.out, "ready grpc=%s http=%s\n", plant.Endpoint.GRPC, plant.Endpoint.HTTP)
	err = plant.Wait(s.ctx)
	if stopErr := plant.Stop(); err == nil {
		err = stopErr
	}
	return err
}

// logger writes to standard error: coloured lines for a person, JSON for a machine.
func (s *session) logger(level string) *slog.Logger {
	var l slog.Level
	_ = l.UnmarshalText([]byte(level))
	return telemetry.Logger(s.errout, s.watched() && os.Getenv("NO_COLOR") == "", l)
}
