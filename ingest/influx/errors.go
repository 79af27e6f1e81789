package influx

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	clienthttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// A Class says what must change before a request can succeed.
type Class uint8

const (
	// Temporary: nothing but time. There was no answer, or one with 408, 429 or
	// 5xx.
	Temporary Class = iota
	// Setup: the operator's settings. The token was refused, the bucket is not
	// there, or the server answers in a way that says nothing about the data.
	// Repeating is right, but somebody must look.
	Setup
	// Data: the points themselves. Some of them the server will never take.
	Data
)

func (c Class) String() string {
	switch c {
	case Temporary:
		return "for the time being"
	case Setup:
		return "until settings change"
	case Data:
		return "for what was in it"
	}
	return fmt.Sprintf("class(%d)", uint8(c))
}

// An Error says that a request to the server did not succeed as a whole.
type Error struct {
	Server     string // and bucket
	Class      Class
	Status     int           // of the answer; 0 where there was none
	Message    string        // of the server
	RetryAfter time.Duration // that the server asks for; 0 if it does not
	Err        error         // where there was no answer
}

func (e *Error) Error() string {
	switch {
	case e.Err != nil:
		return fmt.Sprintf("%s: %v", e.Server, e.Err)
	case e.Status == http.StatusUnauthorized:
		return fmt.Sprintf("%s: token refused (%s): check the token file or variable", e.Server, e.Message)
	case e.Status == http.StatusForbidden:
		return fmt.Sprintf("%s: the token may not do this (%s): give it read and write permission for the bucket", e.Server, e.Message)
	case e.Status == http.StatusNotFound:
		return fmt.Sprintf("%s: %s: check the address and create the bucket", e.Server, e.Message)
	}
	if e.diskFull() {
		return fmt.Sprintf("%s: %s: nothing more is written there, as InfluxDB 1.8 drops at its next start what it confirms after a full disk: make room, stop greywatt, start the server anew, twice, then greywatt", e.Server, e.Message)
	}
	return fmt.Sprintf("%s: status %d: %s", e.Server, e.Status, e.Message)
}

func (e *Error) Unwrap() error { return e.Err }

// diskFull reports whether the server's disk is full, in the words of its system.
func (e *Error) diskFull() bool {
	return e.Status >= 500 && strings.Contains(e.Message, "no space left on device")
}

// Words by which servers tell that points are at fault: 1.x and 2.x in
// tsdb.PartialWriteError and the parser's errors, 3.x in its own. A refusal in
// other words is taken for one of the settings: then nothing is rejected that
// might be good.
var dataWords = regexp.MustCompile(`partial write|unable to parse|field type conflict|beyond retention|invalid line protocol`)

// explain turns what the client returns into an *Error.
func (db *DB) explain(err error) error {
	if err == nil {
		return nil
	}
	e := &Error{Server: db.String()}
	var answer *clienthttp.Error
	switch {
	case errors.Is(err, context.Canceled):
		return err
	case !errors.As(err, &answer) || answer.StatusCode == 0:
		e.Err = err
		return e
	}
	e.Status, e.Message = answer.StatusCode, strings.TrimSpace(answer.Message)
	if e.Message == "" {
		e.Message = http.StatusText(e.Status)
	}
	e.RetryAfter = time.Duration(answer.RetryAfter) * time.Second
	switch status := e.Status; {
	case e.diskFull():
		e.Class = Setup
	case status >= 500, status == http.StatusTooManyRequests, status == http.StatusRequestTimeout:
		e.Class = Temporary
	case (status == http.StatusBadRequest || status == http.StatusUnprocessableEntity) && dataWords.MatchString(e.Message),
		status == http.StatusRequestEntityTooLarge:
		e.Class = Data
	default:
		e.Class = Setup
	}
	return e
}

var droppedWords = regexp.MustCompile(`dropped=(\d+)`)

// dropped returns how many points the server says it did not take, 0 if it does
// not say. It speaks of one shard: there may be more.
func (e *Error) dropped() int {
	m := droppedWords.FindStringSubmatch(e.Message)
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	return n
}

// errorTransport passes requests on and puts a server's words where the client library
// looks for them: it knows those of 2.x, and for 1.x a header, but not 3.x.
type errorTransport struct{ http.RoundTripper }

// maxAnswer bounds how much of a refusal is read, in bytes.
const maxAnswer = 64 << 10

func (p errorTransport) RoundTrip(req *http.Request) (*http.Response, error) {
	resp, err := p.RoundTripper.RoundTrip(req)
	if err != nil || resp.StatusCode < 400 {
		return resp, err
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	resp.Body.Close()
	if err != nil {
		return nil, err
	}
	var said struct {
		Code, Message, Error string
		Data                 json.RawMessage
	}
	if json.Unmarshal(body, &said) == nil && said.Message == "" && said.Error != "" {
		said.Code, said.Message = resp.Status, said.Error
		if len(said.Data) > 0 && string(said.Data) != "null" {
			said.Message += ": " + string(said.Data)
		}
		body, err = json.Marshal(map[string]string{"code": said.Code, "message": said.Message})
		if err != nil {
			return nil, err
		}
		resp.Header.Set("Content-Type", "application/json")
	}
	resp.Body = io.NopCloser(bytes.NewReader(body))
	return resp, nil
}

// CloseIdleConnections passes on what [http.Client.CloseIdleConnections] asks.
func (p errorTransport) CloseIdleConnections() {
	if c, ok := p.RoundTripper.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}
