// Package proto carries the OpenAPI description of the contracts' JSON over HTTP, so that the program can serve it.
package proto

import _ "embed"

// OpenAPI is the generated OpenAPI 2 document.
//
//go:embed huskline.swagger.json
var OpenAPI []byte
