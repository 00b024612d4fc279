package example.ebbmark.record;

import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.JpaSystemProvider;
import ca.uhn.fhir.jpa.provider.ValueSetOperationProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;

/** Which requests the record answers: everything that the library's R4 storage can, in pages of at most 200. */
@Configuration
public class DoorConfiguration {

    private static final int LARGEST_PAGE = 200;
    private static final int USUAL_PAGE = 20;

    @Bean
    public RecordDoor recordDoor(
            IFhirSystemDao<?, ?> system,
            JpaSystemProvider<?, ?> systemProvider,
            ResourceProviderFactory resources,
            ValueSetOperationProvider valueSets,
            JpaStorageSettings settings,
            ISearchParamRegistry searchParameters,
            IValidationSupport validation,
            DatabaseBackedPagingProvider pages) {
        RecordDoor door = new RecordDoor(system.getContext());
        door.registerProviders(resources.createProviders());
        door.registerProviders(systemProvider, valueSets);
        door.setServerConformanceProvider(
                new JpaCapabilityStatementProvider(door, system, settings, searchParameters, validation));
        pages.setMaximumPageSize(LARGEST_PAGE);
        pages.setDefaultPageSize(USUAL_PAGE);
        door.setPagingProvider(pages);
        return door;
    }
}
