package example.ebbmark.record;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.rest.api.EncodingEnum;
import ca.uhn.fhir.rest.server.RestfulServer;

/** The FHIR end point as a servlet; speaks JSON unless asked otherwise. */
public class RecordDoor extends RestfulServer {

    private static final long serialVersionUID = 1L;

    public RecordDoor(FhirContext context) {
        super(context);
        setDefaultResponseEncoding(EncodingEnum.JSON);
    }
}
