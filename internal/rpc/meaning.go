package rpc

import (
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
)

// meaningOf are the rules that a message breaks beyond those declared in the contract, as far as it can be read.
func meaningOf(m proto.Message) []fault.Violation {
	r := &reader{}
	switch m := m.(type) {
	case *pb.PutClinicRequest:
		r.clinic(m.GetClinic(), "clinic")
	case *pb.PutMemberRequest:
		r.member(m.GetMember(), "member")
	case *pb.CreateTokenRequest:
		r.newToken(m)
	case *pb.PutClientRequest:
		r.client(m.GetClient(), "client")
	case *pb.PutJobProfileRequest:
		r.jobProfile(m.GetJobProfile(), "job_profile")
	case *pb.PutReleaseRequest:
		r.release(m.GetRelease(), "release")
	case *pb.PutKitRequest:
		r.kit(m.GetKit(), "kit")
	case *pb.PublishProtocolRequest:
		r.protocol(m.GetProtocol(), "protocol")
	case *pb.PushSessionRequest:
		r.session(m.GetSession(), "session")
	case *pb.CorrectTrialRequest:
		r.correction(m)
	case *pb.SignResultRequest:
		r.signing(m)
	case *pb.SupersedeResultRequest:
		r.superseding(m)
	}
	return r.violations
}
